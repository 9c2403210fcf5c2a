package web

import (
	"context"

	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// still is an overview that does not change.
type still Overview

func (o still) Overview(context.Context) (Overview, error) { return Overview(o), nil }

// kept is a history worked out beforehand.
type kept struct {
	series Series
	days   []Day
	marks  []Mark
}

func (k kept) Series(context.Context, farm.Source, pulse.Field, Span, int) (Series, error) {
	return k.series, nil
}
func (k kept) Days(context.Context, farm.Source, Span) ([]Day, error)   { return k.days, nil }
func (k kept) Marks(context.Context, farm.Source, Span) ([]Mark, error) { return k.marks, nil }
