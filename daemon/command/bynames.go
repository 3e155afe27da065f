package command

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/station"
)

// nameCommand asks a daemon for what a person stands for with a name.
func nameCommand(c *console, s *settings, what, short, long string, without func(context.Context, *console, Settings, *bench.File, string) error) *cobra.Command {
	var by string
	cmd := &cobra.Command{
		Use: what + " BENCH", Short: short, Long: long, Args: args(1, "one bench"),
		RunE: func(cmd *cobra.Command, given []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			name, file, fileErr, err := named(settings, given[0])
			if err != nil {
				return err
			}
			status, err := newClient(settings.Socket).byName(cmd.Context(), name, what, by)
			switch {
			case !errors.Is(err, errNoDaemon) || without == nil:
			case fileErr != nil:
				return configFault(errors.Join(err, fileErr))
			default:
				return without(cmd.Context(), c, settings, file, by)
			}
			if err != nil {
				return err
			}
			printStatus(c, status)
			return nil
		},
	}
	cmd.Flags().StringVar(&by, "by", operator(), "your name")
	return cmd
}

func resetCommand(c *console, s *settings) *cobra.Command {
	return nameCommand(c, s, "reset", "Lift a trip, by name, once its cause was found; it energises nothing",
		`Lift the trip of a bench. It only permits a new run: nothing is energised, and the run that tripped has ended. A daemon that
owns the bench is asked; without one, and with a bench file, the bench is made safe from here and its kept trip is lifted.`, resetHere)
}

func holdCommand(c *console, s *settings) *cobra.Command {
	return nameCommand(c, s, "hold", "Say that your hands are in the bench: what runs is stopped, nothing energises until you lift it",
		"Place a hold. It stops what runs, and nothing energises on the bench until the same name lifts it.", nil)
}

func liftCommand(c *console, s *settings) *cobra.Command {
	return nameCommand(c, s, "lift", "Lift your own hold", "Lift a hold that you placed under the same name.", nil)
}

// resetHere makes the bench safe from here and lifts the trip that its state file keeps.
func resetHere(ctx context.Context, c *console, s Settings, file *bench.File, by string) error {
	st, err := station.Open(ctx, stationConfig(s, file, event.NewHub(), station.NewSlot(), "reset"))
	if err != nil {
		return err
	}
	resetErr := st.Reset(by)
	ended, cancel := context.WithCancel(ctx)
	cancel() // Run makes safe and closes at once
	runErr := st.Run(ended)
	printStatus(c, st.Status())
	return errors.Join(resetErr, runErr)
}
