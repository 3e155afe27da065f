package scpi

import "strings"

// Path is one crossing of a switch matrix: row and column.
type Path struct{ Row, Column int }

// Paths is the i-th parameter as a list of two-dimensional channels: (@1!2,3!1:3!3) is 1!2, 3!1, 3!2, 3!3. A range runs over
// rows and columns of its corners, the columns of one row first (SCPI-99 volume 1, clause 8.3.2; that the last dimension runs
// fastest: from memory).
func (c *Call) Paths(i int) ([]Path, error) {
	ranges, err := channelRanges(c, i, pathOf)
	if err != nil {
		return nil, err
	}
	var list []Path
	for _, r := range ranges {
		from, to := r.first, r.last
		size := (abs(to.Row-from.Row) + 1) * (abs(to.Column-from.Column) + 1)
		if size <= 0 || len(list)+size > mostChannels {
			return nil, NewError(-223, "channel list")
		}
		list = appendBlock(list, from, to)
	}
	return list, nil
}

func appendBlock(list []Path, from, to Path) []Path {
	down, across := 1, 1
	if to.Row < from.Row {
		down = -1
	}
	if to.Column < from.Column {
		across = -1
	}
	for row := from.Row; ; row += down {
		for column := from.Column; ; column += across {
			list = append(list, Path{row, column})
			if column == to.Column {
				break
			}
		}
		if row == to.Row {
			return list
		}
	}
}

func pathOf(text string) (Path, error) {
	row, column, two := strings.Cut(text, "!")
	if !two {
		return Path{}, NewError(-171, "a channel of a matrix is row!column, not "+text)
	}
	r, err := channelNumber(row)
	if err != nil {
		return Path{}, err
	}
	c, err := channelNumber(column)
	return Path{r, c}, err
}

func abs(x int) int { return max(x, -x) }
