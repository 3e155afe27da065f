package scpi

// isSpace tells white space as IEEE 488.2 has it: 0 to 32 without NL. Where NL
// is no terminator (EOL is CR) it counts as white space too; the callers look
// for the terminator first.
func isSpace(c byte) bool { return c <= ' ' }

func isSpaceRune(r rune) bool { return r <= ' ' }

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

func isLetter(c byte) bool { return 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z' }

func isNameCharacter(c byte) bool { return isLetter(c) || isDigit(c) || c == '_' }

func isHeaderCharacter(c byte) bool {
	return isNameCharacter(c) || c == ':' || c == '*' || c == '?'
}
