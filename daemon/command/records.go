package command

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
)

func recordsCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "records",
		Short: "Verify, back up, export and import the shop's record",
		Long:  "The record is one file, record.db in the data folder. What is done here works while a daemon is running.",
	}
	cmd.AddCommand(
		bookCommand(s, "verify", "Check the whole record: the file, the chain over entries and runs, all hashes", "no arguments", 0,
			func(ctx context.Context, book *record.Book, read Settings, _ []string) error {
				v, err := book.Verify(ctx)
				if err != nil {
					return err
				}
				heads, err := job.NewDesk(book, shelf(read)).Verify(ctx)
				if err != nil {
					return err
				}
				fmt.Fprintf(c.out, "in order: %d jobs, %d entries, %d runs\nhead %s\n", heads, v.Entries, v.Runs, v.Head)
				fmt.Fprintln(c.out, "Keep the head elsewhere (on a report, in a log): it shows too when the end of the record was cut off.")
				return nil
			}),
		bookCommand(s, "backup FILE", "Write a copy of the record into a new file, while it is in use", "one file", 1,
			func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
				if err := book.Backup(ctx, given[0]); err != nil {
					return err
				}
				fmt.Fprintf(c.out, "the record was copied to %s\n", given[0])
				return nil
			}),
		bookCommand(s, "export JOB DIR", "Write a job with its runs, pictures and traces into a new folder, as JSON and CSV", "a job and a folder", 2,
			func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
				if err := book.Export(ctx, given[0], given[1]); err != nil {
					return err
				}
				fmt.Fprintf(c.out, "job %s is in %s\n", given[0], given[1])
				return nil
			}),
		bookCommand(s, "import DIR", "Take in a job that was exported on another machine; twice does no harm", "one folder", 1,
			func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
				j, entries, runs, err := book.Import(ctx, given[0])
				if err != nil {
					return err
				}
				fmt.Fprintf(c.out, "job %s: %d entries and %d runs were new\n", j.ID, entries, runs)
				return nil
			}),
	)
	return cmd
}

// bookCommand is a command over the record's file.
func bookCommand(s *settings, use, short, what string, n int, do func(context.Context, *record.Book, Settings, []string) error) *cobra.Command {
	return &cobra.Command{
		Use: use, Short: short, Args: args(n, what),
		RunE: func(cmd *cobra.Command, given []string) error {
			read, err := s.read()
			if err != nil {
				return err
			}
			book, err := openBook(cmd.Context(), read)
			if err != nil {
				return err
			}
			return errors.Join(do(cmd.Context(), book, read, given), book.Close())
		},
	}
}
