package daybook

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"sync"

	"fettle/internal/finding"
	"fettle/internal/recording"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// mostEdges is how many changes of a recording are held for looking at; of a longer one the beginning.
const mostEdges = 8 << 20

// edges are the instants at which the signal of one recording changes: that of the last one looked at.
type edges struct {
	mu  sync.Mutex
	id  string
	at  []unit.Time
	cut bool // there are more
}

// halvesJSON are half-bits between two instants: of each piece of time the shortest and the longest.
type halvesJSON struct {
	From  float64    `json:"from"` // s, of the recording
	To    float64    `json:"to"`
	Time  []float64  `json:"time"` // s
	Short []*float64 `json:"short"`
	Long  []*float64 `json:"long"` // µs; null: nothing changes there
	Each  bool       `json:"each"` // every half-bit is a point of its own
	Cut   bool       `json:"cut"`
}

// mostPieces is how many pieces of time one answer has.
const mostPieces = 4000

// halves answers with the half-bits of a recording, as many points as a screen can show: ?recording=ID&from=S&to=S&pieces=N; with
// &as=svg or csv as a file.
func (d *Daybook) halves(w http.ResponseWriter, r *http.Request) {
	if _, ok := d.book(w, r); !ok {
		return
	}
	q := r.URL.Query()
	e := &d.edges
	e.mu.Lock()
	defer e.mu.Unlock()
	if id := q.Get("recording"); e.id != id || e.at == nil {
		at, cut, err := d.edgesOf(r.Context(), id)
		if err != nil {
			d.log.Info("halves", "err", err)
			d.say(w, r, http.StatusNotFound, "No such recording", "That recording cannot be read any more: bring it once more.")
			return
		}
		e.id, e.at, e.cut = id, at, cut
	}
	number := func(name string) float64 {
		x, err := strconv.ParseFloat(q.Get(name), 64)
		if err != nil {
			return math.NaN()
		}
		return x
	}
	out := pieces(e.at, number("from"), number("to"), int(math.Min(math.Max(number("pieces"), 50), mostPieces)))
	if as := q.Get("as"); as == "svg" || as == "csv" {
		keep(w, "recording", d.drawn(r.Context(), e.id, out), as)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	out.Cut = e.cut
	_ = json.NewEncoder(w).Encode(out) // a browser that has gone needs no answer
}

// drawn is a window of half-bits as a figure, with the limits that hold for them.
func (d *Daybook) drawn(ctx context.Context, id string, h halvesJSON) finding.Figure {
	f := finding.Figure{ID: "half-bits", Title: "Half-bits of the recording", X: finding.Axis{Quantity: "time in the recording", Unit: unit.SymSecond},
		Y: finding.Axis{Quantity: "half-bit", Unit: unit.SymSecond}, Caption: "Of each piece of time the shortest and the longest half-bit."}
	curve := func(label string, of []*float64) {
		c := finding.Curve{Label: label, X: h.Time}
		for _, y := range of {
			v := math.NaN()
			if y != nil {
				v = *y / 1e6
			}
			c.Y = append(c.Y, v)
		}
		f.Curves = append(f.Curves, c)
	}
	if h.Each {
		f.Caption = "Every half-bit."
		curve("half-bit", h.Short)
	} else {
		curve("shortest", h.Short)
		curve("longest", h.Long)
	}
	if _, a, err := d.audit(ctx, id); err == nil {
		for _, fig := range a.findings.Figures {
			if fig.ID == "half.time" {
				f.Bands = fig.Bands
			}
		}
	}
	return f
}

// pieces cuts the time between two instants (NaN: the ends of the recording) and gives of each piece the shortest and the longest
// half that begins in it; where there are fewer halves than pieces, each half is one.
func pieces(at []unit.Time, from, to float64, n int) (out halvesJSON) {
	if len(at) < 2 {
		return out
	}
	out.From, out.To = at[0].Seconds(), at[len(at)-1].Seconds()
	if !(from > out.From) {
		from = out.From
	}
	if !(to < out.To) {
		to = out.To
	}
	begin, end := unit.Seconds(from), unit.Seconds(to)
	lo := sort.Search(len(at), func(i int) bool { return at[i] >= begin })
	hi := sort.Search(len(at), func(i int) bool { return at[i] > end })
	hi = min(hi, len(at)-1) // the last change begins no half that ends
	if hi <= lo {
		return out
	}
	half := func(i int) float64 { return (at[i+1] - at[i]).Seconds() * 1e6 }
	if hi-lo <= n {
		out.Each = true
		for i := lo; i < hi; i++ {
			x := half(i)
			out.Time = append(out.Time, at[i].Seconds())
			out.Short, out.Long = append(out.Short, &x), append(out.Long, &x)
		}
		return out
	}
	i := lo
	for k := range n {
		until := begin + (end-begin)/unit.Time(n)*unit.Time(k+1)
		if k == n-1 {
			until = end + 1
		}
		var short, long unit.Time
		first := i
		for ; i < hi && at[i] < until; i++ {
			x := at[i+1] - at[i]
			if i == first {
				short, long = x, x
			}
			short, long = min(short, x), max(long, x)
		}
		out.Time = append(out.Time, from+(float64(k)+0.5)*(to-from)/float64(n))
		if i == first {
			out.Short, out.Long = append(out.Short, nil), append(out.Long, nil)
			continue
		}
		a, b := short.Seconds()*1e6, long.Seconds()*1e6
		out.Short, out.Long = append(out.Short, &a), append(out.Long, &b)
	}
	return out
}

// edgesOf reads the changes of a recording; of one longer than mostEdges the beginning.
func (d *Daybook) edgesOf(ctx context.Context, id string) (at []unit.Time, cut bool, err error) {
	file, name, err := d.openRecording(id)
	if err != nil {
		return nil, false, err
	}
	defer file.Close()
	_, how, wrong := settingsOf(id)
	if len(wrong) > 0 {
		return nil, false, wrong
	}
	rec, list := recording.Open(file, name, how)
	if rec == nil {
		return nil, false, list
	}
	at = []unit.Time{}
	var c wave.Changes
	for ctx.Err() == nil {
		if err := rec.Next(&c); err != nil {
			if errors.Is(err, io.EOF) || len(at) > 0 {
				return slices.Clip(at), false, nil
			}
			return nil, false, err
		}
		if at = append(at, c.At...); len(at) >= mostEdges {
			return at[:mostEdges], true, nil
		}
	}
	return nil, false, ctx.Err()
}

// limitsOf are the bands of the half-bits, in µs, for the plot.
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
