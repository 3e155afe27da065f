package command

import (
	"context"
	"fmt"
	"log/slog"

	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
)

// The forms of a daemon's log.
const (
	logPlain = "plain" // for a person before a terminal
	logText  = "text"  // key=value, for a journal
	logJSON  = "json"
)

// logger tells an event in the form of the settings.
func logger(c *console, s Settings) func(event.Event) {
	var handler slog.Handler
	switch s.Log {
	case logText:
		handler = slog.NewTextHandler(c.out, nil)
	case logJSON:
		handler = slog.NewJSONHandler(c.out, nil)
	default:
		return func(e event.Event) { teller{out: c.out, prefix: e.Bench + "  ", width: hands.Width(c.out)}.tell(e) }
	}
	return func(e event.Event) {
		r := slog.NewRecord(e.At, level(e.Body), e.Kind(), 0)
		r.AddAttrs(slog.String("bench", e.Bench))
		if e.Run != "" {
			r.AddAttrs(slog.String("run", e.Run))
		}
		r.AddAttrs(attributes(e.Body)...)
		if handler.Enabled(context.Background(), r.Level) {
			_ = handler.Handle(context.Background(), r) // a log that cannot be written stops no bench
		}
	}
}

// level is how loud an event is. Readings and what a script says step by step are for who looks closely.
func level(b event.Body) slog.Level {
	switch b := b.(type) {
	case event.Reading, event.Chart, event.Trace:
		return slog.LevelDebug
	case event.Trip:
		return slog.LevelError
	case event.Safety:
		if !b.Confirmed {
			return slog.LevelError
		}
	case event.Bus:
		if b.State == event.NotProvenDown {
			return slog.LevelWarn
		}
	case event.Link:
		if b.State != "up" {
			return slog.LevelWarn
		}
	case event.RunEnded:
		if b.Exit != 0 {
			return slog.LevelWarn
		}
	}
	return slog.LevelInfo
}

// attributes are what an event is about, by name.
func attributes(b event.Body) []slog.Attr {
	switch b := b.(type) {
	case event.RunStarted:
		return []slog.Attr{slog.String("script", b.Script), slog.String("unit", b.Unit), slog.String("family", b.Family), slog.String("stage", b.Stage), slog.Bool("simulated", b.Simulated)}
	case event.RunEnded:
		return []slog.Attr{slog.String("outcome", b.Outcome), slog.Int("exit", b.Exit), slog.Any("reasons", b.Reasons)}
	case event.Trip:
		return []slog.Attr{slog.String("cause", b.Cause), slog.String("text", b.Text), slog.String("do", b.Do)}
	case event.Safety:
		return []slog.Attr{slog.Bool("confirmed", b.Confirmed), slog.String("cause", b.Cause)}
	case event.Bus:
		return []slog.Attr{slog.String("state", b.State), slog.String("volts", b.Volts.String()), slog.String("why", b.Why)}
	case event.Link:
		return []slog.Attr{slog.String("instrument", b.Instrument), slog.String("state", b.State), slog.String("why", b.Why)}
	case event.Switched:
		return []slog.Attr{slog.String("output", b.Output), slog.Bool("on", b.On)}
	case event.Hold:
		return []slog.Attr{slog.String("by", b.By), slog.Bool("placed", b.Placed)}
	case event.Energising:
		return []slog.Attr{slog.Any("outputs", b.Outputs), slog.String("highest", b.Highest.String()), slog.String("by", b.By)}
	case event.Check:
		return []slog.Attr{slog.String("name", b.Name), slog.String("subject", b.Subject), slog.String("outcome", string(b.Outcome)), slog.String("reason", b.Reason)}
	case event.Finding:
		return []slog.Attr{slog.String("subject", b.Subject), slog.String("text", b.Text), slog.String("part", b.Part)}
	case event.Note:
		return []slog.Attr{slog.String("text", b.Text), slog.String("by", b.By)}
	case event.Step:
		return []slog.Attr{slog.String("text", b.Text)}
	case event.Prompt:
		return []slog.Attr{slog.String("text", b.Text)}
	case event.TripReset:
		return []slog.Attr{slog.String("by", b.By)}
	}
	return []slog.Attr{slog.String("body", fmt.Sprintf("%+v", b))}
}

// log tells what happens on all benches until ctx ends.
func log(ctx context.Context, tell func(event.Event), events *event.Subscription) error {
	for {
		e, err := events.Next(ctx)
		if err != nil {
			return nil
		}
		tell(e)
	}
}
