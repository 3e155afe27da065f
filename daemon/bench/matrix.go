package bench

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
)

// MatrixReaches says whether the bench's matrix brings the meter to all of these test points.
func (b *Bench) MatrixReaches(points ...string) bool {
	d, err := b.device(Matrix)
	if err != nil {
		return false
	}
	return !slices.ContainsFunc(points, func(p string) bool { return !d.Matrix.Reaches(p) })
}

// MatrixConnect puts the meter's leads on two test points and on nothing else.
func (b *Bench) MatrixConnect(ctx context.Context, high, low string) error {
	return b.switchPaths(ctx, func(ctx context.Context, m PathSwitch) error { return m.Connect(ctx, link.Script, high, low) })
}

// MatrixJoin ties two test points together and nothing else.
func (b *Bench) MatrixJoin(ctx context.Context, one, other string) error {
	return b.switchPaths(ctx, func(ctx context.Context, m PathSwitch) error { return m.Join(ctx, link.Script, one, other) })
}

// MatrixOpen opens all paths and reads that back: nothing is energised while a meter's test current may be on the drive.
func (b *Bench) MatrixOpen(ctx context.Context) error {
	return b.switchPaths(ctx, func(ctx context.Context, m PathSwitch) error { return m.Open(ctx, link.Script) })
}

func (b *Bench) switchPaths(ctx context.Context, act func(context.Context, PathSwitch) error) error {
	in, ctx, done, err := b.begin(ctx, Matrix)
	if err != nil {
		return err
	}
	defer done()
	if err := act(ctx, in.device().Matrix); err != nil {
		return explain(ctx, err)
	}
	return nil
}

// matrixOpen opens every path of the matrix.
type matrixOpen struct{ in *instrument }

func (s matrixOpen) urgent(d *Device) error { return d.Matrix.OpenAll() }

func (s matrixOpen) repeat(ctx context.Context, d *Device) error {
	return d.Matrix.Open(ctx, link.MakeSafe)
}

func (s matrixOpen) confirm(ctx context.Context, d *Device) []event.Output {
	closed, err := d.Matrix.Closed(ctx, link.MakeSafe)
	if err != nil {
		return s.unknown(err)
	}
	if closed != "" {
		return s.unknown(fmt.Errorf("it says that %s is closed", closed))
	}
	return []event.Output{{Name: s.in.role, Safe: "open", Confirmed: true}}
}

func (s matrixOpen) unknown(err error) []event.Output {
	return []event.Output{{Name: s.in.role, Safe: "open", Text: err.Error()}}
}

// matrix looks at the paths of a matrix, and what they would tie to earth.
func (v *validation) matrix() {
	for _, role := range slices.Sorted(maps.Keys(v.file.Instruments)) {
		if in := v.file.Instruments[role]; role != Matrix && len(in.Rows)+len(in.Columns) > 0 {
			v.fault("instruments."+role+".rows", "rows and columns belong to the role matrix")
		}
	}
	in := v.file.Instruments[Matrix]
	if in == nil {
		return
	}
	const key = "instruments.matrix"
	if v.file.Instruments[Meter] == nil {
		v.fault(key, "this bench has no meter that the matrix could bring to the test points")
	}
	for _, row := range []string{"high", "low"} {
		if in.Rows[row] < 1 {
			v.fault(key+".rows", "%s is missing: which row carries the meter's %s lead, counted from 1", row, map[string]string{"high": "positive", "low": "negative"}[row])
		}
	}
	for row := range in.Rows {
		v.word(key+".rows."+row, row, "high", "low")
	}
	if in.Rows["high"] > 0 && in.Rows["high"] == in.Rows["low"] {
		v.fault(key+".rows", "both of the meter's leads are on row %d", in.Rows["high"])
	}
	taken := map[int]string{}
	for _, point := range slices.Sorted(maps.Keys(in.Columns)) {
		column, at := in.Columns[point], key+".columns."+point
		if other, twice := taken[column]; twice {
			v.fault(at, "column %d carries %s already", column, other)
		}
		taken[column] = point
		if column < 1 {
			v.fault(at, "columns count from 1")
		}
		if v.deadPoint(at, point) {
			v.earthedPath(at, point)
		}
	}
	if len(in.Columns) == 0 {
		v.fault(key+".columns", "is missing: which column carries which test point")
	}
}

// deadPoint looks at the name of a point of the dead drive.
func (v *validation) deadPoint(key, point string) bool {
	kind, rest, _ := strings.Cut(point, ":")
	switch {
	case slices.Contains([]string{"bus+", "bus-", "mid", "feed+", "charge+", "chassis", "common"}, point):
		return true
	case slices.Contains([]string{"phase", "rail", "line", "gate", "output"}, kind) && rest != "":
		return true
	}
	v.fault(key, `%q is no test point of a matrix: write "bus+", "bus-", "mid", "feed+", "charge+", "chassis", "common", "phase:A", "gate:A.high", "output:A.high" (the driver's, in front of the gate resistor), "rail:<name>" or "line:L1"`, point)
	return false
}

// earthedPath refuses a path over which an earthed meter or matrix would tie a hot common to earth.
func (v *validation) earthedPath(key, point string) {
	earthed := ""
	for _, role := range []string{Meter, Matrix} {
		if in := v.file.Instruments[role]; in != nil && in.Earthed {
			earthed = role
		}
	}
	hotBus, hotControl := v.hot()
	kind, rest, _ := strings.Cut(point, ":")
	hot := hotBus
	if point == "common" || kind == "rail" && (rest == "logic" || rest == "hall") {
		hot = hotControl
	}
	if point == "chassis" {
		hot = ""
	}
	if earthed != "" && hot != "" {
		v.fault(key, "the %s is earthed and this path brings it to %s, but %s: use one that floats", earthed, point, hot)
	}
}
