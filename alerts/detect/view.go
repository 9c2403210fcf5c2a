package detect

// View is what the watch makes of an energizer and of what hangs on it. Fields that are not known are 0.
type View struct {
	LoadOhms   float64 // what the whole fence is to the energizer, its earth left out
	LoadSDOhms float64 // standard deviation of LoadOhms
	LoadShare  float64 // of the load at which, all leakages grown alike, the first zone stands at its minimum
	EarthOhms  float64 // of the stakes, by what they carry
	Leaks      []Leak  // by zone, in feeding order
}

// Leak is the leakage of one zone to earth, over its whole length.
type Leak struct {
	Zone        string
	Siemens, SD float64
}

// View returns what is known of an energizer from its sensors' present levels. It is false where there is nothing to
// tell: no sensor is heard, or a fault lasts that is not part of the picture. It changes nothing.
func (w *Watch) View(energizer string) (View, bool) {
	for _, f := range w.fences {
		if f.energizer.Name == energizer {
			return f.view()
		}
	}
	return View{}, false
}

func (f *fence) view() (View, bool) {
	if f.atFault() || f.Suspect.Open {
		return View{}, false
	}
	est, err := f.diag.est.Estimate(f.quietObservations(), f.prior(nil))
	if err != nil || est.Sensors == 0 {
		return View{}, false
	}
	var v View
	load := est.LoadSiemens()
	v.LoadOhms = 1 / load
	v.LoadSDOhms = f.diag.est.LoadSD() / (load * load)
	if most, ok := f.net.MostLoad(est.State, f.Gains[1:]); ok {
		v.LoadShare = load / most
	}
	if volts, ok := f.Supply.Stakes.median(); ok && est.LoadAmps >= leastEarthAmps {
		v.EarthOhms = volts / est.LoadAmps
	}
	for i, z := range f.net.Zones {
		v.Leaks = append(v.Leaks, Leak{Zone: z.Name, Siemens: est.Leak[i], SD: est.LeakSD[i]})
	}
	return v, true
}

// BatteryLow returns the volts under which a battery that now reads volts counts as low. The battery's kind is told
// from the reading.
func BatteryLow(volts float64) float64 { return batteryLow * nominal(volts) }
