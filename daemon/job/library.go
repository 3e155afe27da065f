package job

import (
	"fmt"
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

// Needed names the scripts that a stage of a family needs: those of the stage that make a check which the family lists.
func (l Library) Needed(family, stage string) ([]string, error) {
	f, err := drive.LoadNamed(l.Families, family)
	if err != nil {
		return nil, err
	}
	needs := f.Stages[drive.Stage(stage)].Needs
	var names []string
	for _, folder := range l.Scripts {
		paths, err := filepath.Glob(filepath.Join(folder, "*.star"))
		if err != nil {
			return nil, fmt.Errorf("scripts: %w", err)
		}
		for _, path := range paths {
			s, err := script.Read(path)
			if err != nil {
				return nil, err
			}
			isNeeded := slices.ContainsFunc(s.Checks, func(check string) bool { return slices.Contains(needs, check) })
			if string(s.Stage) == stage && isNeeded {
				names = append(names, strings.TrimSuffix(filepath.Base(path), ".star"))
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names), nil
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
