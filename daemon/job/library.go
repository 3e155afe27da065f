package job

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/script"
)

// Library is where families and scripts are.
type Library struct {
	Families []string // folders
	Scripts  []string
}

// InStage names the scripts of a stage that make a check which the family lists for it, and beside them the others of the stage.
func (l Library) InStage(family, stage string) (needed, beside []string, err error) {
	f, err := drive.LoadNamed(l.Families, family)
	if err != nil {
		return nil, nil, err
	}
	needs := f.Stages[drive.Stage(stage)].Needs
	for _, folder := range l.Scripts {
		if _, err := os.Stat(folder); err != nil {
			return nil, nil, fmt.Errorf("scripts: %w; say where they are with --scripts", err)
		}
		paths, err := filepath.Glob(filepath.Join(folder, "*.star"))
		if err != nil {
			return nil, nil, fmt.Errorf("scripts: %w", err)
		}
		for _, path := range paths {
			s, err := script.Read(path)
			if err != nil {
				return nil, nil, err
			}
			name := strings.TrimSuffix(filepath.Base(path), ".star")
			switch {
			case string(s.Stage) != stage:
			case slices.ContainsFunc(s.Checks, func(check string) bool { return slices.Contains(needs, check) }):
				needed = append(needed, name)
			default:
				beside = append(beside, name)
			}
		}
	}
	return distinct(needed), distinct(beside), nil
}

func distinct(names []string) []string {
	slices.Sort(names)
	return slices.Compact(names)
}

// unknownFamily is the name for a drive that nobody has data for.
const unknownFamily = "unknown"

// Known says what is wrong with a family's name.
func (l Library) Known(family string) error {
	if family == unknownFamily {
		return nil
	}
	_, err := drive.LoadNamed(l.Families, family)
	return err
}

// Positions are the channels of a family's legs, each of which drives a power device.
func (l Library) Positions(family string) (names []string) {
	f, err := drive.LoadNamed(l.Families, family)
	if err != nil {
		return nil
	}
	for _, c := range f.Bridge.Channels {
		if c.Leg != "" {
			names = append(names, c.Name)
		}
	}
	return names
}
