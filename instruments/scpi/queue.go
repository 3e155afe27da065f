package scpi

import (
	"strings"
	"sync"
)

// queueDepth is the depth of a queue that was not set: instruments in print
// have 10, 20 or 30.
const queueDepth = 20

// Queue is an error queue, oldest first. When it is full, the newest entry is
// replaced by -350 "Queue overflow" and later errors are lost.
type Queue struct {
	mu      sync.Mutex
	entries []Error
	depth   int
}

// SetDepth sets how many entries fit (at least 2).
func (q *Queue) SetDepth(depth int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.depth = max(2, depth)
}

// Len is the number of entries.
func (q *Queue) Len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.entries)
}

// push reports whether the entry still fitted.
func (q *Queue) push(e Error) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	depth := q.depth
	if depth == 0 {
		depth = queueDepth
	}
	if len(q.entries) < depth {
		q.entries = append(q.entries, e)
		return true
	}
	q.entries[len(q.entries)-1] = NewError(-350, "")
	return false
}

// next removes the oldest entry; an empty queue gives 0,"No error".
func (q *Queue) next() Error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.entries) == 0 {
		return NewError(0, "")
	}
	e := q.entries[0]
	q.entries = q.entries[1:]
	return e
}

// all removes every entry and joins them.
func (q *Queue) all() string {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.entries) == 0 {
		return NewError(0, "").Entry()
	}
	texts := make([]string, len(q.entries))
	for i, e := range q.entries {
		texts[i] = e.Entry()
	}
	q.entries = nil
	return strings.Join(texts, ",")
}

func (q *Queue) clear() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.entries = nil
}
