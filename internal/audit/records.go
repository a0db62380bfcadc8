package audit

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"fettle/internal/unit"
)

// A Record is one packet as it is written to a file. Units stand in the names; what is not there is empty, in JSON null.
type Record struct {
	Start      json.Number  `json:"start_s"`         // first edge of the start bit
	End        json.Number  `json:"end_s"`           // last edge of the end bit
	Preamble   int          `json:"preamble"`        // ones in front, the end bit of the packet before counted
	Whole      bool         `json:"preamble_whole"`  // false: it began before the recording, or a disturbance or a gap stands in it
	Bytes      string       `json:"bytes"`           // hexadecimal, error byte included
	Ended      string       `json:"ended"`           // "valid", or what is wrong
	Address    string       `json:"address"`         // as people say it; empty: nobody's
	Service    bool         `json:"service"`         // an instruction of service mode
	Says       string       `json:"says"`            // in words, or why it says nothing
	OneMin     *json.Number `json:"one_min_us"`      // halves of the packet, from its start bit to its end bit
	OneMax     *json.Number `json:"one_max_us"`      //
	ZeroMin    *json.Number `json:"zero_min_us"`     //
	ZeroMax    *json.Number `json:"zero_max_us"`     //
	Difference *json.Number `json:"one_diff_us"`     // the most between the halves of a one
	ClockSlow  *json.Number `json:"clock_min_share"` // a decoder with the windows of the standard gets it from this clock error
	ClockFast  *json.Number `json:"clock_max_share"` // to that one; null: with none
}

var recordColumns = []string{"start_s", "end_s", "preamble", "preamble_whole", "bytes", "ended", "address", "service", "says",
	"one_min_us", "one_max_us", "zero_min_us", "zero_max_us", "one_diff_us", "clock_min_share", "clock_max_share"}

// A RecordWriter writes packets, one record each.
type RecordWriter struct {
	b    *bufio.Writer
	csv  *csv.Writer
	json *json.Encoder
	says map[string]string
	row  []string
	err  error
}

// NewRecordWriter writes JSON lines, or CSV with a line of names.
func NewRecordWriter(w io.Writer, asCSV bool) *RecordWriter {
	r := &RecordWriter{b: bufio.NewWriter(w), says: map[string]string{}}
	if asCSV {
		r.csv = csv.NewWriter(r.b)
		r.err = r.csv.Write(recordColumns)
	} else {
		r.json = json.NewEncoder(r.b)
		r.json.SetEscapeHTML(false)
	}
	return r
}

// Packet writes one; an error stays until Flush.
func (r *RecordWriter) Packet(p *Packet) {
	if r.err != nil {
		return
	}
	says, ok := "", false
	if !p.Service {
		says, ok = r.says[string(p.Bytes)]
	}
	if !ok {
		says = p.Words()
		if !p.Service && len(r.says) < kindsKept {
			r.says[string(p.Bytes)] = says
		}
	}
	c := Record{Start: decimal(p.Start, unit.Second), End: decimal(p.End, unit.Second), Preamble: p.Preamble, Whole: p.Counted, Bytes: fmt.Sprintf("% X", []byte(p.Bytes)),
		Ended: p.Ended.String(), Address: p.Meaning.Address.String(), Service: p.Service, Says: says}
	if p.One.Any() {
		c.OneMin, c.OneMax, c.Difference = micros(p.One.Min), micros(p.One.Max), micros(p.Difference)
	}
	if p.Zero.Any() {
		c.ZeroMin, c.ZeroMax = micros(p.Zero.Min), micros(p.Zero.Max)
	}
	if p.Slow <= p.Fast {
		c.ClockSlow, c.ClockFast = share(p.Slow), share(p.Fast)
	}
	if r.json != nil {
		r.err = r.json.Encode(c)
		return
	}
	text := func(n *json.Number) string {
		if n == nil {
			return ""
		}
		return n.String()
	}
	r.row = append(r.row[:0], c.Start.String(), c.End.String(), strconv.Itoa(c.Preamble), strconv.FormatBool(c.Whole), c.Bytes, c.Ended, c.Address,
		strconv.FormatBool(c.Service), c.Says, text(c.OneMin), text(c.OneMax), text(c.ZeroMin), text(c.ZeroMax), text(c.Difference), text(c.ClockSlow), text(c.ClockFast))
	r.err = r.csv.Write(r.row)
}

// Flush writes what is left and says what went wrong.
func (r *RecordWriter) Flush() error {
	if r.csv != nil && r.err == nil {
		r.csv.Flush()
		r.err = r.csv.Error()
	}
	if r.err == nil {
		r.err = r.b.Flush()
	}
	if r.err != nil {
		return fmt.Errorf("writing the packets: %w", r.err)
	}
	return nil
}

// decimal says a time exactly in a unit that is a power of ten of picoseconds.
func decimal(t, in unit.Time) json.Number {
	sign := ""
	if t < 0 {
		sign, t = "-", -t
	}
	s := sign + strconv.FormatInt(int64(t/in), 10)
	if rest := int64(t % in); rest > 0 {
		places := len(strconv.FormatInt(int64(in), 10)) - 1
		s += strings.TrimRight(fmt.Sprintf(".%0*d", places, rest), "0")
	}
	return json.Number(s)
}

func micros(t unit.Time) *json.Number {
	n := decimal(t, us)
	return &n
}

func share(x float64) *json.Number {
	n := json.Number(strconv.FormatFloat(x, 'f', 6, 64))
	return &n
}
