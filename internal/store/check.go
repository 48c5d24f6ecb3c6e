package store

import (
	"runtime"
	"sync"
	"sync/atomic"

	"meterwright/record"
)

// An item is one line on its way into the store.
type item struct {
	line       []byte
	event      record.Event
	before     record.Chain // the state of the chain that the verdict err assumes
	err        error        // why the line cannot stand there, or cannot stand anywhere
	wasWaiting bool         // it stands in the table of waiting lines
	same       *item        // an equal line earlier in the batch
	receipt    Receipt
}

// checkAll checks lines on all processors.
func checkAll(lines [][]byte) []*item {
	items := make([]*item, len(lines))
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < len(lines); i = int(next.Add(1)) - 1 {
			items[i] = check(lines[i])
		}
	}
	// Small batches, of a device that sends as it goes, are not worth a second goroutine.
	const worth = 8
	var others sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0)-1, len(lines)/worth) {
		others.Go(work)
	}
	work()
	others.Wait()
	return items
}

// check does all that can be done without knowing what is stored. The line before is known by
// its hash alone, and with it the state of the chain except for one thing: whether the visit
// had ended. It is assumed as the line would have it; [placer.place] compares.
func check(line []byte) *item {
	it := &item{line: line}
	it.event, it.err = record.Decode(line)
	if it.err != nil {
		it.receipt.refuse(it.err)
		return it
	}
	e := it.event
	it.receipt.Visit, it.receipt.Key, it.receipt.Seq, it.receipt.Hash = e.Visit, e.Key, e.Seq, e.Hash
	it.before = record.Chain{Visit: e.Visit, Nature: e.Nature, Key: e.Key, Next: e.Seq, Head: e.Prev, Ended: e.Kind == record.KindSupplement && e.Seq > 0}
	if _, _, it.err = it.before.Accept(line); it.err != nil {
		it.receipt.refuse(it.err)
	}
	return it
}
