package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/report"
)

// reportOptions are the flags of report.
type reportOptions struct {
	html, pdf, paper string
	customer         bool
}

func reportCommand(c *console, s *settings) *cobra.Command {
	o := &reportOptions{}
	cmd := bookCommand(s, "report JOB", "Write a job's report: the full record, or one sheet for the customer", "one job", 1,
		func(ctx context.Context, book *record.Book, read Settings, given []string) error {
			return writeReport(ctx, c, book, read, o, given[0])
		})
	cmd.Long = `The HTML file needs nothing else; the PDF has the same content in pages. Without --html and --pdf both are written, named after the job.
The shop's name comes from the setting "shop".`
	f := cmd.Flags()
	f.StringVar(&o.html, "html", "", "write this HTML file")
	f.StringVar(&o.pdf, "pdf", "", "write this PDF file")
	f.StringVar(&o.paper, "paper", "a4", "paper of the PDF: a4, letter")
	f.BoolVar(&o.customer, "customer", false, "one sheet for the customer instead of the full record")
	return cmd
}

func writeReport(ctx context.Context, c *console, book *record.Book, read Settings, o *reportOptions, id string) error {
	paper, ok := map[string]report.Paper{"a4": report.A4, "letter": report.Letter}[o.paper]
	if !ok {
		return usage("report: --paper %s: it is a4 or letter", o.paper)
	}
	state, err := job.NewDesk(book, shelf(read)).Show(ctx, id)
	if err != nil {
		return err
	}
	now := time.Now()
	doc, err := report.OfJob(ctx, state, book, report.Options{Shop: read.Shop, Customer: o.customer, Printed: now, Version: version()})
	if err != nil {
		return err
	}
	if o.html == "" && o.pdf == "" {
		name := state.ID
		if o.customer {
			name += "-customer"
		}
		o.html, o.pdf = name+".html", name+".pdf"
	}
	return errors.Join(writeForm(c, o.html, doc.HTML), writeForm(c, o.pdf, func(w io.Writer) error { return doc.PDF(w, paper, now) }))
}

// writeForm writes one form of a report; an earlier file stands until the new one is complete.
func writeForm(c *console, path string, form func(io.Writer) error) error {
	if path == "" {
		return nil
	}
	var whole bytes.Buffer
	if err := form(&whole); err != nil {
		return err
	}
	if err := os.WriteFile(path, whole.Bytes(), 0o644); err != nil {
		return fmt.Errorf("the report was not written: %w", err)
	}
	fmt.Fprintln(c.out, path)
	return nil
}
