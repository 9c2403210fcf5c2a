package notify

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// words writes messages for somebody who has just been woken: what, where, since when, what to do first, in that order.
// The subject says all four by itself, in what a lock screen shows.
type words struct {
	cfg    Config
	now    time.Time
	person string // who reads it
}

// at returns words for a message written at now.
func (w words) at(now time.Time) words { w.now = now; return w }

// to returns words for a message to person.
func (w words) to(person farm.Person) words { w.person = person.Name; return w }

// caution stands under every message about a fault; common practice, no source.
const caution = "A reading is never proof that a wire is dead: switch off, then test it, before you touch it.\n"

// message words one message about one or more calls of the same kind of news.
func (w words) message(kind alerts.MessageKind, about []*Call) (subject, body string) {
	if len(about) > 1 {
		return w.several(kind, about)
	}
	c := about[0]
	switch kind {
	case alerts.TellTaken:
		return w.taken(c)
	case alerts.TellReturned:
		return w.returned(c)
	}
	if c.Hold != nil {
		return w.unguarded(kind, c)
	}
	lead := w.lead(kind, c)
	subject = w.subject(lead, c)
	var b strings.Builder
	if lead.long != "" {
		fmt.Fprintf(&b, "%s.\n", upper(strings.TrimSuffix(lead.long, ": ")))
	}
	if said := c.heardBy(w.person); kind == alerts.TellUpdated && said != nil && changesErrand(*said, c.Event.Finding) {
		fmt.Fprintf(&b, "Told before: %s.\n", w.before(*said, c.Event.Finding))
	}
	w.describe(&b, c)
	b.WriteString("\n" + caution)
	return subject, b.String()
}

// lead says why the message comes, where that is not plain: in short neither whose answer is wanting, nor what else has
// changed.
func (w words) lead(kind alerts.MessageKind, c *Call) spot {
	switch kind {
	case alerts.TellRepeat:
		return spot{"still no answer: ", "still no answer: "}
	case alerts.TellEscalated:
		return spot{w.silent(c) + ": ", "no answer: "}
	case alerts.TellUpdated:
		news := w.news(c)
		first, _, _ := strings.Cut(news, ", ")
		return spot{news + ": ", first + ": "}
	}
	return spot{}
}

// silent names who has been told and has not answered.
func (w words) silent(c *Call) string {
	if len(c.Told) == 0 {
		return "nobody has answered"
	}
	verb := "has"
	if len(c.Told) > 1 {
		verb = "have"
	}
	return alerts.List(c.Told, "and") + " " + verb + " not answered"
}

// escalated is the sentence for the journal.
func (w words) escalated(next string, c *Call) string {
	return upper(w.silent(c)) + ", so " + next + " is told: " + c.Event.Text
}

// subject fits what, where, since when and what to do first into a lock screen, by leaving out the lesser detail: at
// the last why it comes at all, which the letter begins with, rather than half of what to do.
func (w words) subject(reason spot, c *Call) string {
	f := c.Event.Finding
	since := ", since " + w.clock(c.Raised) + ". "
	if f.Condition == alerts.Growth {
		since = ". " // it has no beginning
	}
	a, lead, brief := w.advice(f), reason.long, reason.short
	what, where := w.what(f), w.where(f)
	full := lead + what + w.volts(f) + w.riding(f, 2) + where.long + since + a.short
	fair := lead + what + w.volts(f) + w.riding(f, 0) + where.short + since + a.short
	for _, s := range []string{full + a.safe, fair + a.safe, full, fair,
		lead + what + w.riding(f, 0) + where.short + since + a.short, lead + what + where.short + since + a.short, lead + what + since + a.short,
		brief + what + since + a.short, lead + what + ". " + a.short, brief + what + ". " + a.short, what + since + a.short} {
		if utf8.RuneCountInString(s) <= alerts.LockScreen {
			return upper(s)
		}
	}
	return upper(alerts.Shorten(lead + what + since + a.short))
}

// describe writes the long form of one call.
func (w words) describe(b *strings.Builder, c *Call) {
	f := c.Event.Finding
	a := w.advice(f)
	fmt.Fprintf(b, "%s%s%s.\n", upper(w.what(f)), w.volts(f), w.riding(f, math.MaxInt))
	if where := w.place(f); where != "" {
		fmt.Fprintf(b, "Where: %s.\n", where)
	}
	if cause := why(f); cause != "" {
		fmt.Fprintf(b, "Cause: %s.\n", cause)
	}
	if f.Condition != alerts.Growth {
		fmt.Fprintf(b, "Since: %s.\n", w.local(c.Raised).Format("Monday 2 January, 15:04"))
	}
	b.WriteString("First:\n")
	for i, s := range a.long {
		fmt.Fprintf(b, "%d. %s\n", i+1, s)
	}
	if len(f.Evidence) > 0 {
		fmt.Fprintf(b, "Seen: %s.\n", strings.Join(f.Evidence, "; "))
	}
}

// several words one message about many alarms.
func (w words) several(kind alerts.MessageKind, about []*Call) (subject, body string) {
	head := fmt.Sprintf("%d alarms: ", len(about))
	var lines []string
	switch kind {
	case alerts.TellTaken:
		head = fmt.Sprintf("%s has these %d alarms, nothing for you to do: ", upper(who(about[0])), len(about))
	case alerts.TellReturned:
		head = fmt.Sprintf("%d alarms are over: ", len(about))
	case alerts.TellRepeat, alerts.TellEscalated:
		head = fmt.Sprintf("%s%d alarms: ", upper(w.lead(kind, about[0]).long), len(about))
	}
	calm := kind == alerts.TellTaken || kind == alerts.TellReturned
	var names []string
	for _, c := range about {
		f := c.Event.Finding
		news := ""
		if kind == alerts.TellUpdated {
			news = w.lead(kind, c).long
		}
		line := upper(news+w.what(f)) + w.volts(f) + w.riding(f, 3) + w.where(f).long + ", since " + w.clock(c.Raised)
		if kind == alerts.TellReturned {
			line = fmt.Sprintf("%s It lasted until %s", w.ended(c), w.clock(c.Over))
			names = append(names, strings.TrimSuffix(w.ended(c), "."))
		} else {
			names = append(names, news+w.what(f))
		}
		if !calm {
			line += ". First: " + lower(w.advice(f).short)
		}
		lines = append(lines, "- "+strings.TrimSuffix(line, ".")+".")
	}
	subject = head + strings.Join(names, "; ")
	if !calm {
		subject = w.fitSeveral(head, names, about)
	}
	body = upper(strings.TrimSuffix(head, ": ")) + ", the most urgent first:\n" + strings.Join(lines, "\n") + "\n"
	body += "\n" + caution
	return alerts.Shorten(subject), body
}

// fitSeveral names as many alarms as leave room for since when, and for what to do first, and where.
func (w words) fitSeveral(head string, names []string, about []*Call) string {
	since, f := about[0].Raised, about[0].Event.Finding
	for _, c := range about {
		since = sooner(since, c.Raised)
	}
	tail := ", since " + w.clock(since) + ". " + upper(w.thing(f.Source)) + " first: " + lower(w.advice(f).short)
	for n := len(names); n > 0; n-- {
		more := ""
		if n < len(names) {
			more = fmt.Sprintf(", and %d more", len(names)-n)
		}
		if s := head + strings.Join(names[:n], "; ") + more + tail; utf8.RuneCountInString(s) <= alerts.LockScreen {
			return s
		}
	}
	return head + names[0] + tail
}

// taken says who has it.
func (w words) taken(c *Call) (subject, body string) {
	f := c.Event.Finding
	doing := " has it"
	switch {
	case c.Hidden && !c.PutOff.IsZero():
		doing = " has put it aside until " + w.clock(c.PutOff)
	case c.Hidden:
		doing = " is at work there"
	}
	subject = alerts.Shorten(upper(who(c)) + doing + ": " + w.what(f) + w.where(f).short + ", since " + w.clock(c.Raised) + ". Nothing for you to do.")
	return subject, upper(who(c)) + doing + ". Nothing for you to do; you will hear when it is over.\n\n" +
		upper(w.what(f)) + w.volts(f) + w.riding(f, math.MaxInt) + ".\nSince: " + w.local(c.Raised).Format("Monday 2 January, 15:04") + ".\n\n" + caution
}

// returned says that it is over, and how long it was.
func (w words) returned(c *Call) (subject, body string) {
	ended, first := w.ended(c), w.afterwards(c)
	most, _, _ := strings.Cut(strings.TrimSuffix(first, "."), ";") // what matters most of what is to do
	for _, subject = range []string{w.lasted(c) + " " + first, w.lasted(c) + " " + most + ".", ended + " " + first, ended + " " + most + "."} {
		if utf8.RuneCountInString(subject) <= alerts.LockScreen {
			break
		}
	}
	subject = alerts.Shorten(subject)
	body = fmt.Sprintf("%s\nIt lasted %s, from %s until %s.\n%s\n", ended, span(c.Over.Sub(c.Raised)),
		w.local(c.Raised).Format("Monday 2 January 15:04"), w.local(c.Over).Format("Monday 15:04"), first)
	return subject, body + "\n" + caution
}

// ended says that it is over in the alarm's own sentence, which knows what is still wrong; in ours where that does not
// name what it speaks of.
func (w words) ended(c *Call) string {
	name := c.Event.Source.Name()
	if c.Ended != "" && (c.Event.Condition.OfWatch() || name != "" && strings.Contains(strings.ToLower(c.Ended), strings.ToLower(name))) {
		return c.Ended
	}
	return upper(w.thing(c.Event.Source)) + w.back(c) + "."
}

// lasted says that it is over, and how long it was, in one line.
func (w words) lasted(c *Call) string {
	return fmt.Sprintf("%s It lasted %s, until %s.", w.ended(c), span(c.Over.Sub(c.Raised)), w.clock(c.Over))
}

// afterwards says what is still to do when it is over.
func (w words) afterwards(c *Call) string {
	at := "the wire"
	switch {
	case c.Event.Source == farm.Site:
		at = "the router"
	case w.cfg.Farm.Energizer(c.Event.Source.Name()) != nil:
		at = "it"
	}
	switch grave, back := c.Event.Priority == alerts.High, len(c.Event.Again) > 0; {
	case grave && back: // whoever answered may have found nothing
		return "See that all stock are in; it came back before, so look by day."
	case back:
		return "It came back before and may again: look by day."
	case grave && c.Answered == "":
		return "See that all stock are in; look at " + at + " by day."
	case grave:
		return "See that all stock are in; then all is done."
	case c.Answered == "":
		return "If nobody mended it, it may come again."
	}
	return "Nothing more to do."
}

// back says that a source is well, with its voltage where that is known.
func (w words) back(c *Call) string {
	switch {
	case c.Event.Condition == alerts.Silent && c.Event.Source == farm.Site:
		return " are heard again"
	case c.Event.Condition == alerts.Silent:
		return " is heard again"
	case c.Back != nil:
		return fmt.Sprintf(" is back at %.1f kV", *c.Back)
	}
	return " is back"
}

// round words the evening round.
func (w words) round(news, rest []*Call) (subject, body string) {
	name := w.cfg.Farm.Name
	var open, over []string
	first := ""
	for _, c := range append(slices.Clone(news), rest...) {
		if c.Over.IsZero() && first == "" {
			first = w.what(c.Event.Finding) + w.where(c.Event.Finding).short + ". " + w.advice(c.Event.Finding).short
		}
	}
	for _, c := range news {
		if !c.Over.IsZero() {
			over = append(over, "- "+w.lasted(c))
			continue
		}
		open = append(open, w.roundLine(c))
	}
	for _, c := range rest {
		open = append(open, w.roundLine(c))
	}
	switch {
	case len(open) == 0:
		subject = fmt.Sprintf("Evening round, %s: nothing to do; %s.", name, number(len(over), "alarm came and went", "alarms came and went"))
	case len(open) == 1:
		subject = fmt.Sprintf("Evening round, %s: %s", name, first)
	default:
		subject = fmt.Sprintf("Evening round, %s: %s And %d more.", name, first, len(open)-1)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Evening round of %s, %s.\n", name, w.local(w.now).Format("Monday 2 January"))
	section(&b, "To see to, nothing of it tonight:", open)
	section(&b, "Over again:", over)
	b.WriteString("\nThis is no daily look at the stock.\n" + caution)
	return alerts.Shorten(subject), b.String()
}

func section(b *strings.Builder, title string, lines []string) {
	const most = 20 // who reads more of an evening?
	if more := len(lines) - most; more > 0 {
		lines = append(slices.Clone(lines[:most]), fmt.Sprintf("- and %d more; the page has them all.", more))
	}
	if len(lines) > 0 {
		fmt.Fprintf(b, "\n%s\n%s\n", title, strings.Join(lines, "\n"))
	}
}

func (w words) roundLine(c *Call) string {
	f := c.Event.Finding
	since := ", since " + w.clock(c.Raised)
	if f.Condition == alerts.Growth {
		since = "" // it has no beginning
	}
	return "- " + upper(w.what(f)) + w.volts(f) + w.where(f).long + since + ". " + w.advice(f).short
}

// reminder says that an out-of-service ends soon, and what then.
func (w words) reminder(h alerts.Hold, p alerts.Point) (subject, body string) {
	name, ends := w.thing(h.Source), w.clock(h.Until)
	if p.On() {
		f := p.Finding
		subject = fmt.Sprintf("%s, out of service until %s. Stock behind it? Move them, or see that nobody is at the wire and switch on.", upper(w.what(f)), ends)
	} else {
		subject = fmt.Sprintf("%s is watched again from %s. Switch on and read it before you let stock in.", upper(name), ends)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s has been out of service since %s and is watched again from %s.\nUntil then nothing there wakes anybody.\n",
		upper(name), w.local(h.From).Format("Monday 15:04"), w.local(h.Until).Format("Monday 15:04"))
	if p.On() {
		fmt.Fprintf(&b, "At the moment %s%s.\n", w.what(p.Finding), w.volts(p.Finding))
	}
	b.WriteString("First:\n1. Look where the stock are.\n2. See that nobody is at the wire, switch on, and read it.\n3. Not done yet? Set a new end on the page.\n\n" + caution)
	return alerts.Shorten(subject), b.String()
}

// test words a test message.
func (w words) test(t Test) (subject, body string) {
	name := w.cfg.Farm.Name
	subject = fmt.Sprintf("Test from %s at %s: nothing is wrong.", name, w.clock(w.now))
	ask := "Nothing needs to be done."
	switch {
	case t.ID == "":
	case t.NoLink:
		subject += " Say on the page that it came."
		ask = "Please open the page and say that this came, so that we know an alarm would reach you."
	default:
		subject += " Open this and press the button, so that we know you would have woken."
		ask = "Please press the button behind the link, so that we know an alarm would reach you."
	}
	if t.ID != "" && !t.AnswerBy.IsZero() {
		ask += " If nobody has by " + w.clock(t.AnswerBy) + ", everybody is told."
	}
	return alerts.Shorten(subject), fmt.Sprintf("This is a test of %s, %s.\nNothing is wrong. %s\n", name, w.local(w.now).Format("Monday 2 January, 15:04"), ask)
}

// clock writes a time as people say it on the day of now.
func (w words) clock(t time.Time) string { return alerts.ClockTime(w.local(w.now), w.local(t)) }

func (w words) local(t time.Time) time.Time { return w.cfg.local(t) }

// who names whoever has answered.
func who(c *Call) string {
	if c.Answered == "-" {
		return "somebody"
	}
	return c.Answered
}

// span writes a length of time in the units a person would use.
func span(d time.Duration) string {
	switch d = d.Round(time.Minute); {
	case d < 2*time.Minute:
		return "a minute"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(math.Round(d.Hours())))
	}
	return fmt.Sprintf("%d days", int(math.Round(d.Hours()/24)))
}

func number(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func upper(s string) string { return firstRune(s, unicode.ToUpper) }
func lower(s string) string { return firstRune(s, unicode.ToLower) }

func firstRune(s string, change func(rune) rune) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(change(r)) + s[n:]
}
