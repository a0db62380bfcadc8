package daybook

import (
	"context"
	"encoding/json"
	"html/template"
	"io"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"os"
	"path"
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
)

// embedded is the recording that comes with fettle, with trouble put in on purpose.
const embedded = "track/trouble.csv.gz"

// An audited recording, or why there is none.
type auditedRecording struct {
	name     string
	findings finding.Findings
	problems diag.List
}

// audits keeps the last recordings that were judged, by the identifier of the upload.
type audits struct {
	mu   sync.Mutex
	last map[string]auditedRecording
}

const auditsKept = 4

func (a *audits) of(id string, judge func() (auditedRecording, error)) (auditedRecording, error) {
	a.mu.Lock()
	got, ok := a.last[id]
	a.mu.Unlock()
	if ok {
		return got, nil
	}
	got, err := judge()
	if err != nil {
		return got, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.last == nil || len(a.last) >= auditsKept {
		a.last = map[string]auditedRecording{}
	}
	a.last[id] = got
	return got, nil
}

// judgeRecording audits what a reader gives.
func judgeRecording(ctx context.Context, r io.Reader, name string) (auditedRecording, error) {
	rec, list := recording.Open(r, name, recording.Settings{})
	if rec == nil {
		return auditedRecording{name: name, problems: list}, nil
	}
	o, err := audit.Recording(ctx, rec, audit.Settings{})
	if o == nil {
		return auditedRecording{}, err
	}
	if ctx.Err() != nil {
		return auditedRecording{}, ctx.Err()
	}
	out := auditedRecording{name: name, problems: rec.Problems()}
	if err != nil {
		out.problems.Add("recording-unread", diag.Range{File: name}, "reading it stopped: %v", err)
	}
	if looks, empty := o.Empty(); empty {
		out.problems.Add("recording-no-dcc", diag.Range{File: name}, "there is no DCC in it; it looks like %s", looks)
		return out, nil
	}
	out.findings = o.Findings(name)
	return out, nil
}

// showTrack makes packets of words, and judges recordings.
func (d *Daybook) showTrack(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	v := &view{r: r, book: b, Base: home(b), ids: map[string]int{}}
	data := struct {
		Base, Said                                   string
		Wrong                                        []string
		Packets                                      []plate
		Explained                                    []template.HTML
		Recording, Tally                             string
		State                                        finding.Verdict
		Problems                                     []problemView
		Look, Values, Rules, Notes, Cautions, Tables template.HTML
		Plates                                       []plate
		Clear, Judged                                bool
		Halves, Limits                               string // of the half-bits: their address, and the bands as JSON
		Most                                         int64
	}{Base: home(b), Said: r.URL.Query().Get("words"), Recording: r.URL.Query().Get("recording"), Most: d.uploadLimit() >> 20}
	if words := strings.TrimSpace(data.Said); words != "" {
		said, list := dcc.Parse("words", words)
		for _, p := range list {
			data.Wrong = append(data.Wrong, p.Message)
		}
		var items []dcc.Item
		for _, s := range said {
			items = append(items, dcc.ItemOf(s))
		}
		if len(items) > 20 {
			items = items[:20]
			data.Wrong = append(data.Wrong, "The first 20 packets are drawn.")
		}
		for _, it := range items {
			v.ids["figure"]++
			data.Packets = append(data.Packets, plate{Number: v.ids["figure"], Title: it.Title(), Caption: "The track voltage over time at nominal half-bits; below, the error byte worked out.",
				Wide: template.HTML(draw.Packet(it, draw.Options{Width: wide, ID: v.id("wide-packet")})), Narrow: template.HTML(draw.Packet(it, draw.Options{Width: narrow, ID: v.id("narrow-packet")}))})
		}
		if len(items) > 0 {
			f := dcc.Explain(items)
			if len(f.Values) > 0 {
				data.Explained = append(data.Explained, render.Values(f.Values, v.options("p-")))
			}
			for _, t := range f.Tables {
				data.Explained = append(data.Explained, render.Table(t, v.options("p-")))
			}
			if len(f.Notes) > 0 {
				data.Explained = append(data.Explained, render.Notes(f.Notes))
			}
		}
	}
	if data.Recording != "" {
		got, err := d.audits.of(data.Recording, func() (auditedRecording, error) { return d.judge(r.Context(), data.Recording) })
		if err != nil {
			status, a := wrong(err)
			d.sayWrong(w, r, status, a, err)
			return
		}
		f := got.findings
		data.Recording, data.Judged = got.name, len(f.Verdicts) > 0
		data.Halves = home(b) + "halves?recording=" + url.QueryEscape(r.URL.Query().Get("recording"))
		data.Limits = limitsOf(f)
		data.State, data.Tally = f.Worst(), render.Tally(f.Verdicts)
		for _, p := range got.problems {
			data.Problems = append(data.Problems, problemView{Line: p.Range.Start.Line, Message: p.Message})
		}
		judged, _ := render.Ordered(f.Verdicts)
		var look []finding.Judgement
		for _, j := range judged {
			if j.Verdict == finding.Fails || j.Verdict == finding.Close || j.Verdict == finding.Unknown {
				look = append(look, j)
			}
		}
		data.Clear = len(look) == 0
		if len(look) > 0 {
			data.Look = render.Verdicts(look, v.options("look-"))
		}
		if len(judged) > 0 {
			data.Rules = render.Verdicts(judged, v.options("rule-"))
		}
		if len(f.Values) > 0 {
			data.Values = render.Values(f.Values, v.options("value-"))
		}
		for _, t := range f.Tables {
			if len(t.Rows) > 0 {
				data.Tables += render.Table(t, v.options("table-"))
			}
		}
		if len(f.Notes) > 0 {
			data.Notes = render.Notes(f.Notes)
		}
		if len(f.Cautions) > 0 {
			data.Cautions = render.Cautions(f.Cautions)
		}
		for _, fig := range f.Figures {
			p := v.plate(fig)
			p.SVG, p.CSV = "", ""
			data.Plates = append(data.Plates, p)
		}
	}
	d.execute(w, r, "Track signal", "track", data)
}

// judge audits an upload, or the embedded recording.
func (d *Daybook) judge(ctx context.Context, id string) (auditedRecording, error) {
	f, name, err := d.open(id)
	if err != nil {
		var list diag.List
		list.Add("recording-gone", diag.Range{}, "that recording is not kept any more: bring it once more")
		return auditedRecording{name: "a recording", problems: list}, nil
	}
	defer f.Close()
	return judgeRecording(ctx, f, name)
}

// open opens an upload, or the embedded recording.
func (d *Daybook) open(id string) (io.ReadCloser, string, error) {
	if id == "embedded" {
		f, err := examples.FS.Open(embedded)
		return f, path.Base(embedded), err
	}
	u, ok := d.Recording(id)
	if !ok {
		return nil, "", fs.ErrNotExist
	}
	f, err := os.Open(u.Path)
	return f, u.Name, err
}

// limitsOf are the bands of the half-bits, in µs, for the plot that script draws.
func limitsOf(f finding.Findings) string {
	type band struct {
		Label    string
		From, To float64
		Good     bool
	}
	var out []band
	for _, fig := range f.Figures {
		if fig.ID == "half.time" {
			for _, b := range fig.Bands {
				out = append(out, band{b.Label, math.Max(b.From*1e6, 0), math.Min(b.To*1e6, 1e7), b.Good})
			}
		}
	}
	text, _ := json.Marshal(out) // finite numbers and texts
	return string(text)
}
