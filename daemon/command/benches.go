package command

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"benchwarden/daemon/bench"
	"benchwarden/instruments/datafile"
)

// benchFile finds a bench file: a path, or the name of a file under configs/benches.
func benchFile(s Settings, name string) (string, error) {
	if strings.ContainsRune(name, filepath.Separator) || strings.HasSuffix(name, ".yaml") {
		return name, nil
	}
	folder := filepath.Join(s.Configs, "benches")
	path := filepath.Join(folder, name+".yaml")
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	files, err := filepath.Glob(filepath.Join(folder, "*.yaml"))
	if err != nil {
		return "", err
	}
	var known []string
	for _, f := range files {
		known = append(known, strings.TrimSuffix(filepath.Base(f), ".yaml"))
	}
	if len(known) == 0 {
		return "", fmt.Errorf("bench %s: there are no bench files in %s", name, folder)
	}
	return "", fmt.Errorf("bench %s: no such bench file in %s%s", name, folder, datafile.DidYouMean(name, known))
}

// named is a bench as a person names it: by its own name, or by its file. missing says why there is no file; a daemon may
// know the bench all the same. A file that cannot be read is err.
func named(s Settings, given string) (name string, file *bench.File, missing, err error) {
	path, missing := benchFile(s, given)
	if missing != nil {
		return given, nil, missing, nil
	}
	if file, err = bench.ReadFile(path); err != nil {
		return "", nil, nil, configFault(err)
	}
	return file.Bench, file, nil, nil
}
