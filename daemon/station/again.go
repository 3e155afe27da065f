package station

import (
	"context"
	"errors"
	"fmt"

	"benchwarden/daemon/bench"
)

// askedAgain is how often a run waits for one more poll when one gave no reading. The warden's age limit goes on meanwhile, and
// trips where the next ones give none either.
const askedAgain = 1

// again takes the next poll where one was garbled: the link gets into step again by itself. Each is told. What no further
// poll can cure is returned at once.
func again(ctx context.Context, name string, next func() (bench.Sample, error), tell func(string)) (bench.Sample, error) {
	for tries := 0; ; tries++ {
		s, err := next()
		if err == nil || tries == askedAgain || ctx.Err() != nil || errors.Is(err, bench.ErrNotPolled) || errors.Is(err, bench.ErrNoRole) || errors.Is(err, bench.ErrMadeSafe) {
			return s, err
		}
		tell(fmt.Sprintf("%s gave no reading and is asked again, %d of %d: %v", name, tries+1, askedAgain, err))
	}
}
