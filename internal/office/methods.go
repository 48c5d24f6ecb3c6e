package office

import (
	"context"
	"fmt"
	"sync"

	"meterwright/internal/store"
	"meterwright/method"
	"meterwright/record"
	"meterwright/say"
	"meterwright/visit"
)

// methods keeps the words of the methods that visits followed, by the method's hash: many visits
// follow the same one.
type methods struct {
	mu   sync.Mutex
	kept map[string]*say.Speaker
}

// maxMethods bounds the methods that are kept.
const maxMethods = 256

// speaker words what a visit holds. Where its method cannot be had, ids are said as they are.
func (o *Office) speaker(ctx context.Context, visit, hash string) *say.Speaker {
	m := &o.methods
	m.mu.Lock()
	s := m.kept[hash]
	m.mu.Unlock()
	if s != nil {
		return s
	}
	followed := &method.Resolved{}
	if hash != "" {
		read, err := o.method(ctx, visit)
		if err == nil {
			followed = read
		} else if ctx.Err() == nil {
			o.opts.Failed(fmt.Errorf("the method of visit %s: %w", visit, err))
		}
	}
	s = o.lang.Of(followed)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.kept == nil || len(m.kept) >= maxMethods {
		m.kept = map[string]*say.Speaker{}
	}
	if followed.Method != "" || hash == "" {
		m.kept[hash] = s
	}
	return s
}

// method reads the method from the record of a visit.
func (o *Office) method(ctx context.Context, id string) (*method.Resolved, error) {
	for l, err := range o.store.Lines(ctx, id) {
		if err != nil {
			return nil, err
		}
		e, err := record.Decode(l.Bytes)
		if err != nil {
			return nil, err
		}
		if visit.Kind(e.Kind) != visit.KindMethod {
			continue
		}
		body, err := visit.DecodeBody(visit.KindMethod, e.Body)
		if err != nil {
			return nil, err
		}
		return method.DecodeResolved(body.(visit.Method).Resolved)
	}
	return nil, store.ErrNotFound
}
