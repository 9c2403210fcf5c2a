// Package rolling computes statistics of readings as they come: medians and spreads of a moving window, control charts
// that notice a shift, and robust trends with intervals and crossing dates.
//
// Every result is exact for the values held, memory is bounded by the sizes given at construction, and nothing is
// allocated per value once a type has filled up. Types are not safe for concurrent use; one belongs to one sensor.
//
// Missing is not zero: a NaN is a gap, and every Add leaves its type unchanged by one. A statistic that its values
// cannot give (the median of nothing, a slope of one point) is NaN or comes with ok false.
//
// Control charts take standardised values z = (x - centre) / sigma, and their published run lengths hold for
// independent ones. Readings a minute apart are not: an autocorrelation of 0.5 makes false alarms nine times as
// frequent. Whiten first (see Whitener), and set limits from measured false alarms.
package rolling
