package station

import (
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/script"
)

// mostByHand is the longest time that a bus stays energised for what people do by hand (common practice, no source).
const mostByHand = 90 * time.Minute

// handTime is the longest time of an announced energising with what people need at this bench for their part, and that part. A bus that
// waits for people is not free: the longest time is bounded, but for a script's own.
func handTime(file *bench.File, a script.Announcement) (longest, byHand time.Duration) {
	for role, n := range a.Acts {
		byHand += time.Duration(n) * file.HandTime(role).Duration()
	}
	own := a.Longest.Duration()
	return min(own+byHand, max(own, mostByHand)), byHand
}

// waiting has the run time's clock stand while a person is waited for, where that costs nothing: the bus is down, or the announced time
// ends the wait.
func (s *Station) waiting() (over func()) {
	_, announced := s.desk.Until()
	if on, _ := s.bench.Energised(bench.Bus); announced || !on && s.bench.Down().Down() {
		return s.warden.Wait()
	}
	return func() {}
}
