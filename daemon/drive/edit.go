package drive

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
)

// edit gives the family file's text with one limit of a stage changed or added. Everything else stays byte for byte, so
// that comments and their places survive.
func edit(text string, stage Stage, key, value string) (string, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil {
		return "", err
	}
	node := &doc
	if node.Kind == yaml.DocumentNode && len(node.Content) > 0 {
		node = node.Content[0]
	}
	_, stages := entry(node, "stages")
	_, limits := entry(stages, string(stage))
	if limits == nil || len(limits.Content) == 0 || limits.Style&yaml.FlowStyle != 0 {
		return "", fmt.Errorf("stage %s is not written as lines of its own: change it by hand", stage)
	}
	lines := strings.SplitAfter(text, "\n")
	if _, old := entry(limits, key); old != nil {
		line, from := lines[old.Line-1], old.Column-1
		if !strings.HasPrefix(line[from:], old.Value) { // quoted, folded or an alias
			return "", fmt.Errorf("line %d: %s is not written plainly: change it by hand", old.Line, key)
		}
		lines[old.Line-1] = line[:from] + value + line[from+len(old.Value):]
		return strings.Join(lines, ""), nil
	}
	first := limits.Content[0]
	added := strings.Repeat(" ", first.Column-1) + key + ": " + value + "\n"
	lines[first.Line-1] = added + lines[first.Line-1]
	return strings.Join(lines, ""), nil
}

// entry finds a key of a mapping with its value; nil when there is none.
func entry(mapping *yaml.Node, key string) (name, value *yaml.Node) {
	if mapping == nil || mapping.Kind != yaml.MappingNode {
		return nil, nil
	}
	for i := 0; i+1 < len(mapping.Content); i += 2 {
		if mapping.Content[i].Value == key {
			return mapping.Content[i], mapping.Content[i+1]
		}
	}
	return nil, nil
}
