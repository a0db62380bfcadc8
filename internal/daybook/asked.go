package daybook

import (
	"net/url"
	"strings"

	"fettle/internal/audit"
	"fettle/internal/diag"
	"fettle/internal/recording"
)

// A recording is named by where it is kept, and behind a tilde by what was said of it, as a query: "3f2a~wire=CH1&from=2+s".
const saidOf = "~"

// mostSaid is the longest name of a recording.
const mostSaid = 1000

// trackOptions are what may be said of a recording and asked of it, with what stands there.
var trackOptions = []struct{ name, title, doc, example string }{
	{"wire", "wire", "name or column of the wire to read", "CH1"},
	{"wire", "second wire", "where both rails were recorded: the first is the left one", "CH2"},
	{"from", "from", "judge from this instant on", "2.5 s"},
	{"to", "to", "judge up to this instant", "4 s"},
	{"at", "at", "say what decoders should have been doing then", "3.2 s"},
	{"address", "address", "only what is for it", "47"},
	{"unit", "unit", "of the time column, or of ticks", "1 us"},
	{"low", "low", "a voltage at or below this is low", "-3 V"},
	{"high", "high", "a voltage at or above this is high", "3 V"},
	{"time-column", "time column", "its name or number", "1"},
	{"timing", "timing", "what it holds: times or durations", "times"},
	{"resolution", "resolution", "how far a time may be off", "1 us"},
	{"bridge", "bridge", "rails alike for no longer are crossing", "4 us"},
	{"separator", "separator", "comma, semicolon, tab or space", "semicolon"},
	{"decimal", "decimal sign", "point or comma", "comma"},
	{"format", "format", "VCD or CSV", "CSV"},
}

// keptAs is where a recording is kept, and what was said of it.
func keptAs(id string) (at string, said url.Values) {
	at, rest, _ := strings.Cut(id, saidOf)
	said, _ = url.ParseQuery(rest) // what cannot be read was not written by a form of ours
	return at, said
}

// saidID is the name of a recording with what the fields of a form say of it; not ok: they say nothing.
func saidID(id string, q url.Values) (string, bool) {
	at, _ := keptAs(id)
	said := url.Values{}
	asked := false
	for _, o := range trackOptions {
		asked = asked || q.Has(o.name)
		said[o.name] = nil
		for _, text := range q[o.name] {
			if text = strings.TrimSpace(text); text != "" {
				said.Add(o.name, text)
			}
		}
	}
	if text := said.Encode(); text != "" {
		at += saidOf + text
	}
	return at, asked
}

// settingsOf is how a recording is to be read and judged; problems where that was said wrongly.
func settingsOf(id string) (s audit.Settings, how recording.Settings, problems diag.List) {
	_, q := keptAs(id)
	var err error
	s, how, err = audit.Asked{Addresses: q["address"], Wires: q["wire"], From: q.Get("from"), To: q.Get("to"), At: q.Get("at"), Format: q.Get("format"), Low: q.Get("low"), High: q.Get("high"),
		Bridge: q.Get("bridge"), Resolution: q.Get("resolution"), Unit: q.Get("unit"), Timing: q.Get("timing"), TimeColumn: q.Get("time-column"), Separator: q.Get("separator"), Decimal: q.Get("decimal")}.Settings()
	switch {
	case len(id) > mostSaid:
		problems.Add("too-long", diag.Range{}, "that is more than can be said of a recording")
	case err != nil:
		problems.Add("said-wrong", diag.Range{}, "%v", err)
	}
	return s, how, problems
}

// saying are the fields of the form that says how a recording is to be read.
func saying(id string) (rows []rowView) {
	_, said := keptAs(id)
	taken := map[string]int{}
	for _, o := range trackOptions {
		n := taken[o.name]
		taken[o.name]++
		r := rowView{ID: "say-" + strings.ReplaceAll(o.title, " ", "-"), Field: o.name, Name: o.title, Doc: o.doc + ": " + o.example}
		if n < len(said[o.name]) {
			r.Text = said[o.name][n]
		}
		rows = append(rows, r)
	}
	return rows
}
