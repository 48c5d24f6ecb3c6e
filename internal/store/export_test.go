package store

import "context"

// Mark is the acceptance number up to which all lines are in the summaries.
func (s *Store) Mark(ctx context.Context) (int64, error) {
	mark, _, err := s.mark(ctx)
	return mark, err
}
