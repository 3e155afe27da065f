package command

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is what this program says of itself: the module's version, or the commit it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	revision, modified := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			modified = " modified"
		}
	}
	if revision == "" {
		return info.Main.Version
	}
	return revision + modified
}

func versionCommand(c *console) *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Say which version this is", Args: args(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			fmt.Fprintf(c.out, "benchwarden %s, %s\n", version(), runtime.Version())
			return nil
		},
	}
}
