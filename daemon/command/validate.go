package command

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/script"
	"benchwarden/daemon/station"
	"benchwarden/instruments/dialect"
)

func validateCommand(c *console, s *settings) *cobra.Command {
	var family string
	cmd := &cobra.Command{
		Use:   "validate [FILE...]",
		Short: "Check bench, family and dialect files and scripts, touching nothing",
		Long: `Check bench, family and dialect files and scripts. Without files everything under configs and scripts is checked.
With --family the bench files are checked against what that drive family asks for.`,
		RunE: func(_ *cobra.Command, files []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			if len(files) == 0 {
				if files, err = everything(settings); err != nil {
					return configFault(err)
				}
			}
			v := validator{c: c, settings: settings}
			if family != "" {
				f, err := drive.LoadNamed(settings.families(), family)
				if err != nil {
					return configFault(err)
				}
				v.needs, v.family = station.NeedsOf(f), f
			}
			return v.all(files)
		},
	}
	cmd.Flags().StringVar(&family, "family", "", "check the benches against this drive family")
	return cmd
}

func everything(s Settings) ([]string, error) {
	var files []string
	for _, root := range []string{s.Configs, s.Scripts} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() && kindOf(path) != "" {
				files = append(files, path)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return files, nil
}

// kindOf tells by folder and ending what a file is.
func kindOf(path string) string {
	folder := filepath.Base(filepath.Dir(path))
	switch {
	case strings.HasSuffix(path, ".star") && folder == script.LoadedFrom:
		return "file that scripts load"
	case strings.HasSuffix(path, ".star"):
		return "script"
	case strings.HasSuffix(path, ".yaml") && folder == "families":
		return "family"
	case strings.HasSuffix(path, ".yaml") && folder == "dialects":
		return "dialect"
	case strings.HasSuffix(path, ".yaml") && folder == "benches":
		return "bench"
	}
	return ""
}

type validator struct {
	c        *console
	settings Settings
	needs    bench.Needs
	family   *drive.Family // nil: the benches are checked against none
}

// all checks every file and tells all faults; one bad file does not hide the next.
func (v validator) all(files []string) error {
	var faults []error
	for _, path := range files {
		kind, err := v.one(path)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		fmt.Fprintf(v.c.out, "%s: a good %s\n", path, kind)
	}
	return configFault(errors.Join(faults...))
}

func (v validator) one(path string) (kind string, err error) {
	switch kind = kindOf(path); kind {
	case "script":
		_, err = script.Read(path)
	case "file that scripts load":
		err = script.CheckLoaded(path)
	case "family":
		_, err = drive.Load(path)
	case "dialect":
		_, err = dialect.Load(path)
	default: // a bench file may lie anywhere
		kind = "bench"
		err = v.bench(path)
	}
	return kind, err
}

func (v validator) bench(path string) error {
	file, err := bench.ReadFile(path)
	if err != nil {
		return err
	}
	findings := file.Validate(v.needs, bench.Speaks(v.settings.dialects()))
	for _, w := range findings.Warnings {
		fmt.Fprintf(v.c.err, "warning: %v\n", w)
	}
	faults := []error{findings.Faults.Err()}
	if v.family != nil {
		stages, err := stagesOf(v.family, "")
		faults = append(faults, err)
		for _, stage := range stages {
			faults = append(faults, station.CheckUncontrolled(v.family, stage, file, v.settings.dialects()))
		}
	}
	return errors.Join(faults...)
}
