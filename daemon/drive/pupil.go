package drive

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// pupil changes figures of a family file's text and leaves the rest of it as it was written.
type pupil struct {
	text string
	told []string
	err  error
}

// marked writes the runs behind learnt, below the title where the key was not there.
func (p *pupil) marked(runs []string) {
	list := make([]string, len(runs))
	for i, r := range runs {
		list[i] = quoted(r)
	}
	value := "[" + strings.Join(list, ", ") + "]"
	if line, node := p.find("learnt"); node != nil {
		if node.Kind != yaml.ScalarNode {
			p.err = errors.Join(p.err, errors.New("this family is learnt already; learn from the file that it came from"))
			return
		}
		p.replace(line, node, value)
		return
	}
	if line, _ := p.find("title"); line > 0 {
		lines := strings.SplitAfter(p.text, "\n")
		p.text = strings.Join(slices.Insert(lines, line, "learnt: "+value+"\n"), "")
	}
}

// set changes the value of a key that stands plainly in the file.
func (p *pupil) set(value string, path ...string) {
	line, node := p.find(path...)
	if node == nil || node.Kind != yaml.ScalarNode {
		p.err = errors.Join(p.err, fmt.Errorf("%s is missing in the family file", strings.Join(path, ".")))
		return
	}
	p.replace(line, node, value)
}

func (p *pupil) replace(line int, node *yaml.Node, value string) {
	lines := strings.SplitAfter(p.text, "\n")
	from, old := node.Column-1, node.Value
	if node.Style != 0 || !strings.HasPrefix(lines[line-1][min(from, len(lines[line-1])):], old) {
		p.err = errors.Join(p.err, fmt.Errorf("line %d: %q is not written plainly: change it by hand", line, old))
		return
	}
	lines[line-1] = lines[line-1][:from] + value + lines[line-1][from+len(old):]
	p.text = strings.Join(lines, "")
}

// find is the value of a key with its line, counted from 1.
func (p *pupil) find(path ...string) (line int, node *yaml.Node) {
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(p.text), &doc); err != nil || len(doc.Content) == 0 {
		return 0, nil
	}
	node = doc.Content[0]
	for _, key := range path {
		if _, node = entry(node, key); node == nil {
			return 0, nil
		}
	}
	return node.Line, node
}

// quoted keeps a text of ours one YAML value.
func quoted(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }
