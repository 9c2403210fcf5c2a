package notify

import "nightwire/alerts"

// whatOfWatch says what is wrong with the watch itself, without a capital.
func (w words) whatOfWatch(f alerts.Finding) string {
	switch f.Condition {
	case alerts.Test:
		return "nobody has answered the weekly test"
	case alerts.Channel:
		return "some messages do not arrive"
	case alerts.Queue:
		return "more messages come from sensors than can be taken in"
	case alerts.Storage:
		return "readings cannot be stored"
	case alerts.Clock:
		return "the watch's clock jumped"
	}
	return string(f.Condition)
}

// ofWatch says what to do first about the watch itself. The fence is still watched in each of these.
func (w words) ofWatch(f alerts.Finding) advice {
	switch f.Condition {
	case alerts.Test:
		return advice{"Press the button here, then see who got the test.", "", []string{
			"Open the link below and press the button: it shows that this message came.",
			"Ask the others whether the test reached them. Mend the address of whoever did not get it."}}
	case alerts.Channel:
		return advice{"See to the internet connection; open this to see which.", "", []string{
			f.Text, "Try it: nightwire send-test.", "Until it works, alarms reach you only by what else is set up. Keep the page open at night."}}
	case alerts.Queue:
		return advice{"Find the sensor that sends too often.", "", []string{
			f.Text, "The page shows when each sensor was heard. Switch off the one that never stops."}}
	case alerts.Storage:
		return advice{"The fence is still watched. Make room on the disk.", "", []string{
			"The fence is still watched, from memory. What sensors send is kept by the broker, as far as it can.",
			"Make room on the disk. A card that can only be read is worn out: change it, and restore a backup."}}
	case alerts.Clock:
		return advice{"See that the page shows the right time.", "", []string{
			"See that the page shows the right time.",
			"Wrong? Let the computer fetch the time from the network. Times of readings may be wrong around the jump."}}
	}
	return advice{"Look at the page.", "", []string{f.Text}}
}
