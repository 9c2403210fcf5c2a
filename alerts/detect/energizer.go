package detect

import (
	"fmt"
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
	"nightwire/ingest/pulse"
)

// supplyWatch follows what an energizer's own sensor says beside its output: supply volts, pulse interval, stake
// volts.
type supplyWatch struct {
	Supply       ring5
	Interval     ring5
	Stakes       ring5
	StakesWell   ring5     // those that came while the output was its usual: a fault that comes and goes is no measure of the next
	StakesWere   float64   // median of these when the present suspicion began; 0 unknown
	IntervalWere float64   // and that of the interval
	Day          histogram // and those of the day, in tenths of a volt
	UsualMS      ring5     // interval as first heard, for an energizer whose pulse_every is not to be relied on
	LowSince     ms

	Battery  standing
	Slow     standing
	Earth    standing
	EarthFor int     // looks in a row at which the stakes were poor
	EarthOhm float64 // of the stakes when they were first looked at and not poor; 0 unknown
}

// ring5 is a running median of five: one wild value changes nothing.
type ring5 struct {
	Vals [5]float64
	N    int
}

func (r *ring5) add(v float64) {
	r.Vals[r.N%5] = v
	r.N++
}

func (r *ring5) median() (float64, bool) {
	if r.N < 5 {
		return 0, false
	}
	return r.newest(5), true
}

// newest returns the median of the newest few; NaN of none.
func (r *ring5) newest(few int) float64 { return newest(r.Vals[:], r.N, few) }

// lastTwo returns the newest two, of which there must be that many.
func (r *ring5) lastTwo() (last, before float64) {
	n := len(r.Vals)
	return r.Vals[(r.N-1)%n], r.Vals[(r.N-2)%n]
}

// Battery limits, for a nominal 12 V lead-acid battery under an energizer's load; they scale with the nominal
// voltage. At rest 12.0 to 12.06 V is a quarter full and 11.6 to 11.9 V empty (rule of thumb on a radio makers' mailing
// list; Battery Council figures from memory); under load it reads lower.
const (
	batteryLow  = 11.7 / 12
	batteryWell = 12.1 / 12
	lowFor      = 10 * 60_000
	slowPulses  = 1.35 // times the usual interval
)

// nominal returns the battery's nominal voltage.
func nominal(v float64) float64 {
	switch {
	case v < 8.5:
		return 6
	case v < 18:
		return 12
	case v < 36:
		return 24
	}
	return 48
}

// take reads what the energizer's sensor says beside its output.
func (s *supplyWatch) take(f *fence, r *pulse.Reading, now ms) {
	if v, ok := r.Get(pulse.SupplyVolts); ok {
		s.Supply.add(v)
		s.judgeBattery(f, now)
	}
	if v, ok := r.Get(pulse.IntervalMS); ok && v > 0 {
		s.Interval.add(v)
		if s.UsualMS.N < 5 {
			s.UsualMS.add(v)
		}
		s.judgeInterval(f, now)
	}
	if v, ok := r.Get(pulse.EarthVolts); ok {
		s.Stakes.add(v)
	}
}

// handOver returns the alarm that was raised of what comes to trouble of cause c, if any; it is no longer the supply's.
func (s *supplyWatch) handOver(c alerts.Cause) (own standing) {
	switch {
	case c == alerts.PoorEarth:
		own, s.Earth, s.EarthFor = s.Earth, standing{}, 0
	case s.Battery.up():
		own, s.Battery = s.Battery, standing{}
	case s.Slow.up():
		own, s.Slow = s.Slow, standing{}
	}
	return own
}

// low reports whether the supply is low, as far as it is known.
func (s *supplyWatch) low() bool {
	v, ok := s.Supply.median()
	return ok && v < BatteryLow(v)
}

func (s *supplyWatch) judgeBattery(f *fence, now ms) {
	v, ok := s.Supply.median()
	if !ok {
		return
	}
	switch {
	case s.Battery.up() && v > batteryWell*nominal(v):
		f.w.clear(&s.Battery, now, fmt.Sprintf("%s's battery is up again at %.1f V.", titled(f.energizer.Name), v))
		s.LowSince = 0
	case !s.low():
		s.LowSince = 0
	case s.LowSince == 0:
		s.LowSince = now
	case !s.Battery.up() && now-s.LowSince >= lowFor && !f.energizerTrouble():
		f.batteryLow(v, now)
	}
}

// batteryLow tells that the battery is down to v. Slow pulses that were told before were the first sign of it.
func (f *fence) batteryLow(v float64, now ms) {
	s := &f.Supply
	fd := alerts.Finding{
		Source: f.energizer.Source(), Condition: alerts.Weak, Cause: alerts.SupplyLow, Priority: alerts.Medium, KV: f.output(),
		Text:     fmt.Sprintf("%s's battery is down to %.1f V: swap or charge it before the pulses fail, and look at the panel and the leads.", titled(f.energizer.Name), v),
		Evidence: []string{fmt.Sprintf("supply %.2f V, under %.1f V", v, BatteryLow(v))},
	}
	if !s.Slow.up() {
		f.w.raise(&s.Battery, now, fd)
		return
	}
	s.Battery, s.Slow = s.Slow, standing{}
	f.w.update(&s.Battery, now, fd)
}

func (s *supplyWatch) judgeInterval(f *fence, now ms) {
	v, ok := s.Interval.median()
	usual := f.usualInterval()
	if !ok || usual <= 0 {
		return
	}
	slow := v > slowPulses*usual
	switch {
	case s.Slow.up() && v < 1.15*usual:
		f.w.clear(&s.Slow, now, fmt.Sprintf("%s pulses at its usual pace again.", titled(f.energizer.Name)))
	case slow && !s.Slow.up() && !s.Battery.up() && !f.energizerTrouble():
		cause := alerts.EnergizerWeak
		if s.low() {
			cause = alerts.SupplyLow
		}
		f.w.raise(&s.Slow, now, alerts.Finding{
			Source: f.energizer.Source(), Condition: alerts.Weak, Cause: cause, Priority: alerts.Medium, KV: f.output(),
			Text:     fmt.Sprintf("%s pulses only every %.1f s instead of %.1f s: look at its battery and leads first.", titled(f.energizer.Name), v/1000, usual/1000),
			Evidence: []string{fmt.Sprintf("%.2f s from pulse to pulse, as a rule %.2f s", v/1000, usual/1000)},
		})
	}
}

// usualInterval returns the milliseconds from pulse to pulse as a rule, 0 where unknown.
func (f *fence) usualInterval() float64 {
	usual := float64(f.energizer.PulseEvery.Milliseconds())
	if first, ok := f.Supply.UsualMS.median(); ok {
		usual = max(usual, first)
	}
	return usual
}

// pace returns how many times the usual interval the pulses take by the quicker of the last two readings, 0 where unknown or
// no longer heard.
func (f *fence) pace() float64 {
	usual, r := f.usualInterval(), &f.Supply.Interval
	if t := f.tracks[0]; t == nil || t.Gone || usual <= 0 || r.N < 2 {
		return 0
	}
	last, before := r.lastTwo()
	return min(last, before) / usual
}

// output returns the energizer's last output, for an event.
func (f *fence) output() *float64 {
	if t := f.tracks[0]; t != nil && t.LastSeen > 0 {
		return kilo(t.LastVal)
	}
	return nil
}

// energizerTrouble reports whether an incident of the energizer is open.
func (f *fence) energizerTrouble() bool {
	return f.trouble(func(in *incident) bool { return in.Zone < 0 }) != nil
}

// weakCause says why an energizer gives less than it should.
func (f *fence) weakCause(loss sourceLoss) alerts.Cause {
	if f.lostInEarth(loss) {
		return alerts.PoorEarth
	}
	if f.Supply.low() || f.Supply.Battery.up() {
		return alerts.SupplyLow
	}
	return alerts.EnergizerWeak
}

// creeping says what has slowly pulled the fence down: the energizer, or what grows on the wire.
func (f *fence) creeping() alerts.Cause {
	if loss, weak := f.gaveWay(); weak {
		return f.weakCause(loss)
	}
	return alerts.Vegetation
}

// gaveWay reports whether it is the energizer that has taken a zone under its minimum. One whose battery is low, or
// whose stakes are known to be poor and carry what is lost, needs no more than that the readings bear it out.
func (f *fence) gaveWay() (sourceLoss, bool) {
	if f.Supply.low() || f.Supply.Earth.up() {
		loss := f.sourceSince(f.wellDay(), keptWell)
		if f.Supply.low() || f.lostInEarth(loss) {
			return loss, loss.kept < keptWell && loss.evidence > 0
		}
	}
	if f.raining() && !f.energizerTrouble() && f.pace() < slowed {
		return sourceLoss{}, false
	}
	loss := f.sourceSince(f.wellDay(), keptTold)
	return loss, f.told(loss)
}

// quietObservations gives the levels of the sensors that can be believed and that no fault holds down.
func (f *fence) quietObservations() []line.Observation {
	obs := make([]line.Observation, len(f.tracks))
	for i, t := range f.tracks {
		if v := f.level(i); v > 0 && !f.held(i) {
			obs[i] = line.Observation{Volts: v / f.Gains[i], SD: math.Hypot(t.noise()/2, modelSD)}
		}
	}
	return obs
}

// weakLooks is how many looks in a row, half an hour apart, must agree before a slow loss of output is told, where slower pulses do
// not bear it out.
const weakLooks = 4

// checkEnergizer looks, in quiet, whether the energizer gives what it did.
func (f *fence) checkEnergizer(now ms) {
	if f.Supply.Battery.up() || f.Supply.Slow.up() {
		f.WeakFor = 0
		return
	}
	if in := f.slowWeak(); in != nil {
		switch loss := f.sourceSince(dayRow{Level: in.Profile}, asEver); {
		case loss.kept < keptWell || f.few(loss): // what is silent does not speak for its end
			in.Looks, in.Fine = 0, 0
		case loss.kept > asEver:
			in.Looks++
			in.Fine++
		default:
			in.Looks = 0 // a poor earth shows little while the fence draws little
			in.Fine++
		}
		return
	}
	loss := f.sourceSince(f.wellDay(), keptTold)
	if f.energizerTrouble() || !f.told(loss) {
		f.WeakFor = 0
		return
	}
	if f.WeakFor++; f.WeakFor < weakLooks && f.pace() <= slowed {
		return
	}
	f.WeakFor = 0
	if f.tracksNow(nil, now) {
		return
	}
	f.weakens(loss, nil, now)
}

// slowWeak returns the open incident of an energizer that has slowly come to give too little.
func (f *fence) slowWeak() *incident {
	return f.trouble(func(in *incident) bool { return in.Zone < 0 && in.Slow && !in.First })
}

// A limit in volts on the stakes, as 200 or 300 V, means something only at a known current: it is meant for a fence
// that was pulled down for the test, and one that is wet draws as much. So what is asked is what stock lose by it: a
// shock goes through the source, the earth and an animal of 500 ohms, and a fifth less of it is worth a walk.
const (
	stakesHigh = 300.0 // volts, printed widely with no primary source; under it there is nothing to mend
	animalOhms = 500.0 // the standard load of IEC 60335-2-76
	shockLoss  = 0.2   // common practice, no source
	earthWell  = 72 * 60 * 60_000
	earthLooks = 8

	gainOff        = 0.02 // by which a sensor may show too much after its gain was learnt; common practice, no source
	leastEarthAmps = 0.2  // under this current the stakes' volts say little of their ohms
)

// earthOhms returns the ohms that stakes which carry so many volts have at the least, by the current that those leave for the
// energizer's own ohms: it is less than if the earth were good.
func (f *fence) earthOhms(est line.Estimate, volts float64) float64 {
	drop := est.LoadAmps * est.SourceOhms
	drop += gainOff * (est.OpenVolts - drop)
	return volts / max((drop-volts)/f.energizer.SourceOhms, est.LoadAmps/2, leastEarthAmps)
}

// poorEarth reports whether stakes of so many ohms take too much of the shock, against what they took or should take.
func (f *fence) poorEarth(ohms float64) bool {
	path := animalOhms + f.energizer.SourceOhms
	return path+max(f.Supply.EarthOhm, f.energizer.EarthOhms) < (1-shockLoss)*(path+ohms)
}

// checkEarth looks, in quiet, whether the stakes carry more than the current through them explains.
func (f *fence) checkEarth(est line.Estimate, now ms) {
	s := &f.Supply
	v, ok := s.Stakes.median()
	if !ok {
		return
	}
	ohms := f.earthOhms(est, v)
	if f.Learnt && s.EarthOhm == 0 && !f.poorEarth(ohms) {
		s.EarthOhm = ohms
	}
	f.judgeEarth(v, ohms, now)
}

// checkEarthAtFault is checkEarth while a fault of the wire stands, for days it may be: the current is what the
// energizer's output lacks over its ohms, wherever on the wire it goes. As a contact may come and go, it is the least
// of the stakes' volts and the most current of late that must do.
func (f *fence) checkEarthAtFault(now ms) {
	s, t := &f.Supply, f.tracks[0]
	if s.Stakes.N < len(s.Stakes.Vals) || f.mute(0) {
		return
	}
	est := line.Estimate{State: f.Base}
	est.LoadAmps = max(0, est.OpenVolts-min(t.LastVal, t.Prev)/f.Gains[0]) / est.SourceOhms
	if s.Earth.up() && (est.LoadAmps < leastEarthAmps || f.energizerTrouble()) {
		s.Earth.Quiet = now // next to nothing flows, as behind a parted wire: that the stakes carry little proves nothing
		return
	}
	v := slices.Min(s.Stakes.Vals[:])
	f.judgeEarth(v, f.earthOhms(est, v), now)
}

// judgeEarth tells of stakes that carry v with so many ohms, or that they are well again.
func (f *fence) judgeEarth(v, ohms float64, now ms) {
	s := &f.Supply
	poor := f.poorEarth(ohms) && v > stakesHigh
	switch {
	case s.Earth.up() && (poor || v > 0.8*stakesHigh):
		s.Earth.Quiet = now
	case s.Earth.up() && now-s.Earth.Quiet >= earthWell:
		f.w.clear(&s.Earth, now, fmt.Sprintf("%s's earth stakes are down to %.0f V again.", titled(f.energizer.Name), v))
	case !poor || f.energizerTrouble():
		s.EarthFor = 0
	case !s.Earth.up():
		if s.EarthFor++; s.EarthFor < earthLooks {
			return
		}
		f.w.raise(&s.Earth, now, alerts.Finding{
			Source: f.energizer.Source(), Condition: alerts.Earth, Cause: alerts.PoorEarth, Priority: alerts.Medium, KV: f.output(),
			Text:     fmt.Sprintf("%s's earth stakes carry %.0f V: the earth is poor, so stock feel less than the wire shows. Test the stakes, wet them, clean the clamps or add a stake.", titled(f.energizer.Name), v),
			Evidence: []string{fmt.Sprintf("about %.0f ohms through the stakes", 10*math.Round(ohms/10))},
		})
	}
}

// lostInEarth reports whether the stakes carry most of what an energizer gives too little.
func (f *fence) lostInEarth(loss sourceLoss) bool {
	v, ok := f.Supply.Stakes.median()
	return ok && v > stakesHigh && v > (1-loss.kept)*f.net.OpenVolts/2
}

// earthBack reports whether the stakes carry less than all else together does of what the wire lacks, by two readings. They
// carry nothing while the energizer is off, as it is while somebody works on them.
func (f *fence) earthBack() bool {
	s, t := &f.Supply.Stakes, f.tracks[0]
	if s.N < 2 || f.mute(0) {
		return false
	}
	last, before := s.lastTwo()
	v, out := max(last, before), max(t.LastVal, t.Prev)
	return out >= f.deadVolts(0) && v < (f.net.OpenVolts-out)/2
}
