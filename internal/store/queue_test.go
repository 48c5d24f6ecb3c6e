package store

import (
	"context"
	"errors"
	"sync"
	"testing"
)

// TestQueue: who comes while somebody commits shares the next commit; who gives up before
// that is not in it; who gives up during it is told its outcome all the same.
func TestQueue(t *testing.T) {
	q := queue{turn: make(chan struct{}, 1)}
	begun, goOn := make(chan int), make(chan error)
	commit := func(ctx context.Context, items []*item) error {
		if ctx.Err() != nil {
			t.Error("a commit is cut off by the haste of one passenger")
		}
		begun <- len(items)
		outcome := <-goOn
		if ctx.Err() != nil { // who leads it may have given up meanwhile
			t.Error("a commit is cut off by the haste of one passenger")
		}
		return outcome
	}
	var wait sync.WaitGroup
	pass := func(ctx context.Context, n int, want error) {
		wait.Go(func() {
			if err := q.pass(ctx, make([]*item, n), commit); !errors.Is(err, want) {
				t.Errorf("batch of %d: %v, want %v", n, err, want)
			}
		})
	}
	waiting := func(n int) {
		t.Helper()
		for { // the others are on their way into the queue
			q.mu.Lock()
			have := len(q.waiting)
			q.mu.Unlock()
			if have == n {
				return
			}
		}
	}
	hasty, cancel := context.WithCancel(t.Context())
	pass(hasty, 1, nil)
	if n := <-begun; n != 1 {
		t.Errorf("the first commit has %d items", n)
	}
	full := errors.New("the disk is full")
	leaving, leave := context.WithCancel(t.Context())
	pass(t.Context(), 2, full)
	pass(t.Context(), 3, full)
	pass(leaving, 100, context.Canceled)
	waiting(3)
	leave()
	waiting(2)
	cancel() // the one that leads the commit under way
	goOn <- nil
	if n := <-begun; n != 5 {
		t.Errorf("the second commit has %d items", n)
	}
	goOn <- full
	wait.Wait()

	if err := q.pass(hasty, make([]*item, 1), commit); !errors.Is(err, context.Canceled) {
		t.Errorf("a batch that comes too late: %v", err)
	}
}

// TestQueueShares: a commit takes whole batches up to its bound.
func TestQueueShares(t *testing.T) {
	var q queue
	for range 6 {
		q.waiting = append(q.waiting, &passenger{items: make([]*item, MaxBatch), done: make(chan error, 1)})
	}
	var sizes []int
	for len(q.waiting) > 0 {
		q.lead(t.Context(), func(_ context.Context, items []*item) error {
			sizes = append(sizes, len(items)/MaxBatch)
			return nil
		})
	}
	if len(sizes) != 2 || sizes[0] != 4 || sizes[1] != 2 {
		t.Errorf("batches in each commit: %v", sizes)
	}
}
