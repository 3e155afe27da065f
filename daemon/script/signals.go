package script

import (
	"context"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
)

// hallModule is hall: spacing(120), on(), off(), code(5), line(2, "open"), lines().
func (e *engine) hallModule() *starlarkstruct.Module {
	return module("hall", map[string]builtin{
		"spacing": e.withInt(func(ctx context.Context, n int) error { return e.rig.HallSpacing(ctx, n) }),
		"code":    e.withInt(func(ctx context.Context, n int) error { return e.rig.HallCode(ctx, n) }),
		"on":      e.plainly(func(ctx context.Context) error { return e.rig.HallOutput(ctx, true) }),
		"off":     e.plainly(func(ctx context.Context) error { return e.rig.HallOutput(ctx, false) }),
		"line": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var line int
			var state string
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &line, &state); err != nil {
				return nil, err
			}
			return starlark.None, e.do(func(ctx context.Context) error { return e.rig.HallLine(ctx, line, state) })
		},
		"lines": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			code, err := waiting(e, e.rig.HallLines)
			return starlark.MakeInt(code), err
		},
	})
}

func (e *engine) plainly(f func(context.Context) error) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
			return nil, err
		}
		return starlark.None, e.do(f)
	}
}

func (e *engine) withInt(f func(context.Context, int) error) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var n int
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &n); err != nil {
			return nil, err
		}
		return starlark.None, e.do(func(ctx context.Context) error { return f(ctx, n) })
	}
}

// contactsModule is contacts: close("enable"), open("enable"), closed("fault_lamp"), has("thermal").
func (e *engine) contactsModule() *starlarkstruct.Module {
	set := func(closed bool) builtin {
		return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var name string
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &name); err != nil {
				return nil, err
			}
			return starlark.None, e.do(func(ctx context.Context) error { return e.rig.Contact(ctx, name, closed) })
		}
	}
	return module("contacts", map[string]builtin{
		"close": set(true),
		"open":  set(false),
		"closed": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var name string
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &name); err != nil {
				return nil, err
			}
			closed, err := waiting(e, func(ctx context.Context) (bool, error) { return e.rig.Input(ctx, name) })
			return starlark.Bool(closed), err
		},
		"has": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var name string
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &name); err != nil {
				return nil, err
			}
			return starlark.Bool(e.rig.HasContact(name)), nil
		},
	})
}
