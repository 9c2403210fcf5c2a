package app

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
)

// stack is what has been opened, to be closed last in, first out, also when a start fails half way.
type stack struct {
	undo   []func() error
	failed chan error // the first part that ended by itself
}

func newStack() *stack { return &stack{failed: make(chan error, 1)} }

// push puts a clean-up on the stack.
func (s *stack) push(undo func() error) { s.undo = append(s.undo, undo) }

// start runs a part in a goroutine of its own. Its clean-up stops it and waits until it has ended.
func (s *stack) start(ctx context.Context, name string, run func(context.Context) error) {
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() {
		err := contained(ctx, run)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			err = errors.New("ended by itself")
		}
		select {
		case s.failed <- fmt.Errorf("%s: %w", name, err):
		default: // one is enough to stop for
		}
	})
	s.push(func() error {
		stop()
		wg.Wait()
		return nil
	})
}

// contained runs a part and makes a panic its error, so that it ends this watch and no other in the program.
func contained(ctx context.Context, run func(context.Context) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panicked: %v\n%s", p, debug.Stack())
		}
	}()
	return run(ctx)
}

// unwind closes everything.
func (s *stack) unwind() error {
	var errs []error
	for i := len(s.undo) - 1; i >= 0; i-- {
		errs = append(errs, s.undo[i]())
	}
	s.undo = nil
	return errors.Join(errs...)
}
