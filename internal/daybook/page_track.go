package daybook

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fettle/examples"
	"fettle/internal/audit"
	"fettle/internal/dcc"
	"fettle/internal/diag"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/recording"
	"fettle/internal/render"
	"fettle/internal/unit"
)

// The recording that is there without one of one's own, with trouble put in on purpose.
const (
	embedded   = "track/trouble.csv.gz"
	embeddedID = "embedded"
)

// mostSentence is the longest text that is taken for packets.
const mostSentence = 2000

// audited is what is known of a recording: findings of what could be read, and what is wrong with it.
type audited struct {
	id       string
	findings finding.Findings
	problems diag.List
}

// audits are those made last, oldest first.
type audits struct {
	mu   sync.Mutex
	list []*audited
}

// auditsKept is how many are remembered; reading the recording once more brings back an older one.
const auditsKept = 4

// firstSchedule is what stands in the form of schedules before anything is written.
const firstSchedule = "power up\nat 0.5 s: 47 F0 on\nat 1 s: 47 forward 12 of 28\nend 2 s\n"

// trackView is the page of what runs on the rails.
type trackView struct {
	Base, Recording, Name string
	Kept                  []trackLink
	Sentence, Hex         string
	Said                  *saidView
	Heard                 *heardView
	Megabytes             int64
	Saying                []rowView // what may be said of the recording
	Asked                 bool      // something was
	Schedule              string    // one to begin with
}

type trackLink struct {
	To, Name, Size string
	Here           bool
}

// saidView is packets, explained.
type saidView struct {
	Problems []problemJSON
	Plates   []plate
	Parts    []template.HTML
}

// heardView is a recording, judged.
type heardView struct {
	State                                finding.Verdict
	Tally                                string
	Clear                                bool
	Problems                             []problemJSON
	Look, Rules, Values, Notes, Cautions template.HTML
	Plates                               []plate
	Sweep                                template.HTML // what a figure shows, as numbers
	Tables                               []template.HTML
	Halves, Limits                       string // of the half-bits: their address, and their limits as JSON
}

// showTrack shows recordings of the track and packets; it needs nothing of the build.
func (d *Daybook) showTrack(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	if id, asked := saidID(q.Get("recording"), q); asked {
		http.Redirect(w, r, home(b)+"track?recording="+url.QueryEscape(id), http.StatusSeeOther)
		return
	}
	page := &view{r: r, book: b, Base: home(b), ids: map[string]int{}}
	t := trackView{Base: page.Base, Recording: q.Get("recording"), Sentence: q.Get("words"), Hex: q.Get("hex"), Megabytes: d.uploadLimit() >> 20, Schedule: firstSchedule}
	if t.Recording != "" {
		name, a, err := d.audit(r.Context(), t.Recording)
		switch {
		case errors.Is(err, os.ErrNotExist):
			d.say(w, r, http.StatusNotFound, "No such recording", "That recording is not kept any more: bring it once more.")
			return
		case err != nil:
			if r.Context().Err() == nil {
				d.log.Error("audit", "err", err)
			}
			d.say(w, r, http.StatusInternalServerError, "Not read", "The recording could not be read to its end; fettle has written why where it was started.")
			return
		}
		t.Name, t.Heard = name, page.heard(a)
	}
	if t.Sentence != "" || t.Hex != "" {
		t.Said = page.said(t.Sentence, t.Hex)
	}
	at, said := keptAs(t.Recording)
	t.Saying, t.Asked = saying(t.Recording), len(said) > 0
	for _, u := range d.recordings() {
		t.Kept = append(t.Kept, trackLink{"track?recording=" + url.QueryEscape(u.ID), u.Name, fmt.Sprintf("%.1f MB", float64(u.Size)/1e6), u.ID == at})
	}
	t.Kept = append(t.Kept, trackLink{"track?recording=" + embeddedID, "an invented evening", "with trouble put in on purpose", at == embeddedID})
	_, _ = b.Proved(r.Context()) // the title block says how the build stands; this page does without
	d.execute(w, r, "Track signal", "track", t)
}

// itemsOf reads sentences and bytes as packets.
func itemsOf(sentence, hex string) (items []dcc.Item, problems []problemJSON) {
	if len(sentence)+len(hex) > mostSentence {
		return nil, []problemJSON{{Message: fmt.Sprintf("%d characters are more than fit here (%d)", len(sentence)+len(hex), mostSentence)}}
	}
	sentences, list := dcc.Parse("in words", sentence)
	packets, wrong := dcc.ParseHex("in bytes", hex)
	for _, p := range append(list, wrong...) {
		problems = append(problems, problem(p))
	}
	if len(problems) > 0 {
		return nil, problems
	}
	for _, one := range sentences {
		items = append(items, dcc.ItemOf(one))
	}
	for _, p := range packets {
		items = append(items, dcc.Received(p))
	}
	return items, nil
}

// savePacket is a packet as a file: drawn, or half-bit by half-bit.
func (d *Daybook) savePacket(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	items, _ := itemsOf(q.Get("words"), q.Get("hex"))
	n, err := strconv.Atoi(q.Get("number"))
	as := q.Get("as")
	if err != nil || n < 1 || n > len(items) || as != "svg" && as != "csv" {
		d.say(w, r, http.StatusNotFound, "No such packet", "These words and bytes have no packet of that number.")
		return
	}
	attach(w, fmt.Sprintf("packet % X", []byte(items[n-1].Packet)), as)
	if as == "svg" {
		_, _ = io.WriteString(w, draw.Packet(items[n-1], draw.Options{Width: 900, Standalone: true})) // a browser that has gone needs no answer
		return
	}
	writeHalves(w, items[n-1])
}

// writeHalves writes a packet half-bit by half-bit, at nominal lengths: when each begins, how long it lasts, of which bit it is.
func writeHalves(w io.Writer, it dcc.Item) {
	c := csv.NewWriter(w)
	_ = c.Write([]string{"of", "bit", "half", "from / s", "length / s"}) // Flush would tell of an error, and the browser has gone then
	at := unit.Time(0)
	bits := func(of, bits string) {
		for _, bit := range bits {
			length := dcc.NominalZero
			if bit == '1' {
				length = dcc.NominalOne
			}
			for _, half := range []string{"first", "second"} {
				_ = c.Write([]string{of, string(bit), half, strconv.FormatFloat(at.Seconds(), 'f', 6, 64), strconv.FormatFloat(length.Seconds(), 'f', 6, 64)})
				at += length
			}
		}
	}
	bits("preamble", strings.Repeat("1", it.Ones()))
	for k, part := range dcc.Anatomy(it.Packet, it.Context()) {
		bits("start bit", "0")
		bits(fmt.Sprintf("%02X %s", it.Packet[k], part.Says), fmt.Sprintf("%08b", it.Packet[k]))
	}
	bits("end bit", "1")
	c.Flush()
}

// said explains sentences and bytes.
func (v *view) said(sentence, hex string) *saidView {
	s := &saidView{}
	items, problems := itemsOf(sentence, hex)
	if s.Problems = problems; len(items) == 0 {
		return s
	}
	for k, it := range items {
		v.ids["figure"]++
		p := plate{Number: v.ids["figure"], Title: it.Title(), Caption: "The track voltage over time at nominal half-bits; below, the error byte worked out.",
			Wide:   template.HTML(draw.Packet(it, draw.Options{Width: wide, ID: v.id("wide-packet")})),
			Narrow: template.HTML(draw.Packet(it, draw.Options{Width: narrow, ID: v.id("narrow-packet")}))}
		p.keptAt(v.Base+"track/packet", url.Values{"words": {sentence}, "hex": {hex}, "number": {strconv.Itoa(k + 1)}})
		s.Plates = append(s.Plates, p)
	}
	s.Parts = v.parts(dcc.Explain(items), "said-")
	return s
}

// parts sets everything of findings but figures and verdicts' summary.
func (v *view) parts(f finding.Findings, prefix string) (out []template.HTML) {
	if len(f.Verdicts) > 0 {
		out = append(out, render.Verdicts(f.Verdicts, v.options(prefix)))
	}
	if len(f.Values) > 0 {
		out = append(out, render.Values(f.Values, v.options(prefix+"value-")))
	}
	for _, t := range f.Tables {
		if len(t.Rows) > 0 {
			out = append(out, render.Table(t, v.options(prefix+"table-")))
		}
	}
	if len(f.Notes) > 0 {
		out = append(out, render.Notes(f.Notes))
	}
	if len(f.Cautions) > 0 {
		out = append(out, render.Cautions(f.Cautions))
	}
	return out
}

// heard sets an audit: what to look at, the signal drawn, what a decoder makes of it, what was on the track, every rule.
func (v *view) heard(a *audited) *heardView {
	f := a.findings
	h := &heardView{State: f.Worst(), Tally: render.Tally(f.Verdicts)}
	for _, p := range a.problems {
		h.Problems = append(h.Problems, problem(p))
	}
	h.Halves, h.Limits = v.Base+"halves?recording="+url.QueryEscape(a.id), limitsOf(f)
	judged, _ := render.Ordered(f.Verdicts)
	look := slices.DeleteFunc(slices.Clone(judged), func(j finding.Judgement) bool {
		return j.Verdict != finding.Fails && j.Verdict != finding.Close && j.Verdict != finding.Unknown
	})
	h.Clear = len(look) == 0 && len(judged) > 0
	if len(look) > 0 {
		h.Look = render.Verdicts(look, v.options("look-"))
	}
	if rest := judged[len(look):]; len(rest) > 0 { // in order, what is to be looked at stands first
		h.Rules = render.Verdicts(rest, v.options("rule-"))
	}
	if len(f.Values) > 0 {
		h.Values = render.Values(f.Values, v.options("value-"))
	}
	for _, t := range f.Tables {
		if len(t.Rows) > 0 {
			if t.ID == "sweep" {
				h.Sweep = render.Table(t, v.options("table-"))
				continue
			}
			h.Tables = append(h.Tables, render.Table(t, v.options("table-")))
		}
	}
	if len(f.Notes) > 0 {
		h.Notes = render.Notes(f.Notes)
	}
	if len(f.Cautions) > 0 {
		h.Cautions = render.Cautions(f.Cautions)
	}
	for _, fig := range f.Figures {
		p := v.plate(fig)
		p.keptAt(v.Base+"track/figure", url.Values{"recording": {a.id}, "of": {fig.ID}})
		h.Plates = append(h.Plates, p)
	}
	return h
}

// openRecording opens one that was brought, or the embedded one. The error is os.ErrNotExist where it is not kept.
func (d *Daybook) openRecording(id string) (file io.ReadCloser, name string, err error) {
	if id, _ = keptAs(id); id == embeddedID {
		src, err := examples.FS.ReadFile(embedded)
		return io.NopCloser(bytes.NewReader(src)), "an invented evening", err
	}
	u, ok := d.recording(id)
	if !ok {
		return nil, "", os.ErrNotExist
	}
	file, err = os.Open(u.Path)
	return file, u.Name, err
}

// audit reads and judges a recording, or remembers what it found. The error is os.ErrNotExist where it is not kept.
func (d *Daybook) audit(ctx context.Context, id string) (name string, a *audited, err error) {
	file, name, err := d.openRecording(id)
	if err != nil {
		return "", nil, err
	}
	defer file.Close()
	d.audits.mu.Lock() // one at a time: each takes a processor, and who waits mostly waits for the same
	defer d.audits.mu.Unlock()
	if i := slices.IndexFunc(d.audits.list, func(a *audited) bool { return a.id == id }); i >= 0 {
		return name, d.audits.list[i], nil
	}
	if a, err = read(ctx, file, id, name); err != nil {
		return "", nil, err
	}
	if d.audits.list = append(d.audits.list, a); len(d.audits.list) > auditsKept {
		d.audits.list = d.audits.list[1:]
	}
	return name, a, nil
}

// read judges a recording; what is wrong with it is among the problems, and what was read until then is judged.
func read(ctx context.Context, file io.Reader, id, name string) (*audited, error) {
	a := &audited{id: id}
	set, how, wrong := settingsOf(id)
	if a.problems = wrong; len(wrong) > 0 {
		return a, nil
	}
	rec, list := recording.Open(file, name, how)
	if a.problems = list; rec == nil {
		return a, nil
	}
	o, err := audit.Recording(ctx, rec, set)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case o == nil:
		return nil, err
	}
	a.problems = rec.Problems()
	if err != nil {
		a.problems.Add("recording-unread", diag.Range{File: name}, "reading it stopped: %v", err)
	}
	if looks, empty := o.Empty(); empty {
		a.problems.Add("recording-no-dcc", diag.Range{File: name}, "there is no DCC in it; it looks like %s", looks)
		return a, nil
	}
	a.findings = o.Findings(name)
	return a, nil
}

// trackFigure is a figure of a recording as a file.
func (d *Daybook) trackFigure(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	name, a, err := d.audit(r.Context(), q.Get("recording"))
	if err == nil {
		i := slices.IndexFunc(a.findings.Figures, func(f finding.Figure) bool { return f.ID == q.Get("of") })
		if as := q.Get("as"); i >= 0 && kept(as) {
			keep(w, strings.TrimSuffix(name, ".gz"), a.findings.Figures[i], as)
			return
		}
	}
	d.say(w, r, http.StatusNotFound, "No such figure", "This recording has no figure of that name now.")
}
