package sim

import (
	"container/heap"
	"time"
)

// event is either a sensor's turn to report, or a message on its way.
type event struct {
	at      time.Time
	order   uint64 // of being planned, so that equal times keep an order
	sensor  *sensor
	topic   string
	payload []byte
}

// queue holds events, the earliest first.
type queue []event

var _ heap.Interface = (*queue)(nil)

func (q queue) Len() int { return len(q) }

func (q queue) Less(i, j int) bool {
	if c := q[i].at.Compare(q[j].at); c != 0 {
		return c < 0
	}
	return q[i].order < q[j].order
}

func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }

// Push appends an event for container/heap.
func (q *queue) Push(x any) { *q = append(*q, x.(event)) }

// Pop takes the last event for container/heap.
func (q *queue) Pop() any {
	old := *q
	e := old[len(old)-1]
	old[len(old)-1] = event{}
	*q = old[:len(old)-1]
	return e
}
