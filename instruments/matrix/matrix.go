// Package matrix says what a switch matrix is to the rest of the program: it brings one test point after another to one
// instrument. No driver is here yet.
package matrix

import "context"

// Matrix connects test points to an instrument's leads.
type Matrix interface {
	// Connect opens everything and then connects one test point; it returns when the contacts have settled.
	Connect(ctx context.Context, point string) error
	// Connected is the test point that the matrix says is connected; empty: none.
	Connected(ctx context.Context) (point string, err error)
	// OpenAll opens everything at once, waiting for nobody.
	OpenAll() error
}
