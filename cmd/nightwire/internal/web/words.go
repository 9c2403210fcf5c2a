package web

import (
	"embed"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
)

//go:embed words/*.json
var wordFiles embed.FS

// words are all the texts of the pages, from one file, so that a translation is one file. Placeholders are written
// {name}. A key that is counted has two texts: key.one and key.other.
type words struct {
	lang  string
	texts map[string]string
}

func loadWords(lang string) (*words, error) {
	b, err := wordFiles.ReadFile("words/" + lang + ".json")
	if err != nil {
		return nil, fmt.Errorf("there are no words for language %q: %w\nhint: use en, or add words/%s.json", lang, err, lang)
	}
	w := &words{lang: lang}
	if err := json.Unmarshal(b, &w.texts); err != nil {
		return nil, fmt.Errorf("read words/%s.json: %w", lang, err)
	}
	return w, nil
}

// text returns the text under key with its placeholders filled: pairs of name and value. A missing key shows as
// itself, which a test turns into a failure.
func (w *words) text(key string, pairs ...any) string {
	t, ok := w.texts[key]
	if !ok {
		return key
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		t = strings.ReplaceAll(t, "{"+fmt.Sprint(pairs[i])+"}", fmt.Sprint(pairs[i+1]))
	}
	return t
}

// has reports whether there is a text under key.
func (w *words) has(key string) bool { _, ok := w.texts[key]; return ok }

// count returns the text for n things; {n} is the number, in words up to twelve.
func (w *words) count(key string, n int, pairs ...any) string {
	form := ".other"
	if n == 1 {
		form = ".one"
	}
	return w.text(key+form, append(pairs, "n", w.number(n))...)
}

func (w *words) number(n int) string {
	if t, ok := w.texts["number."+strconv.Itoa(n)]; ok {
		return t
	}
	return strconv.Itoa(n)
}

// decimal writes v with so many digits and the language's decimal mark.
func (w *words) decimal(v float64, digits int) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', digits, 64), ".", w.text("decimal"), 1)
}

// date writes a day as "Mon 2 Jan"; with the year when it is not this one.
func (w *words) date(t, now time.Time) string {
	s := w.text("date.day", "weekday", w.text("weekday."+strconv.Itoa(int(t.Weekday()))),
		"day", t.Day(), "month", w.text("month."+strconv.Itoa(int(t.Month()))))
	if t.Year() != now.Year() {
		s += " " + strconv.Itoa(t.Year())
	}
	return s
}

// span writes a length of time for people: the two largest units that matter.
func (w *words) span(d time.Duration) string {
	d = max(d, 0)
	switch m := int(d / time.Minute); {
	case d < 90*time.Second:
		return w.text("span.s", "s", int(d/time.Second))
	case m < 60:
		return w.text("span.min", "min", m)
	case m%60 != 0 && m < 10*60:
		return w.text("span.hmin", "h", m/60, "min", m%60)
	case m < 48*60:
		return w.text("span.h", "h", m/60)
	default:
		return w.text("span.d", "d", m/60/24)
	}
}

// firstSentence cuts an alarm's text behind its first sentence, which says what is wrong and where; the rest is what to do.
func firstSentence(s string) (first, rest string) {
	runes := []rune(s)
	for i := 1; i+1 < len(runes); i++ {
		if runes[i-1] == '.' && runes[i] == ' ' && unicode.IsUpper(runes[i+1]) && !saintly(runes[:i-1]) {
			return string(runes[:i]), string(runes[i+1:])
		}
	}
	return s, ""
}

// saintly reports whether s ends in a name's short word, as St is one before Mary's gate, whose full stop ends no sentence.
func saintly(s []rune) bool {
	n := len(s)
	return n >= 2 && unicode.IsLower(s[n-1]) && unicode.IsUpper(s[n-2]) && (n == 2 || s[n-3] == ' ')
}

// upperFirst gives a sentence its capital.
func upperFirst(s string) string {
	for i, r := range s {
		return strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}
