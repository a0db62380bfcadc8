// Package recording reads and writes recordings of the track: value change dumps (VCD) and tables of times and levels
// (CSV), packed with gzip or not, block by block in memory that does not grow with their length.
//
// VCD is that of IEEE 1364-2005, clause 18, four-state (from memory: the text was not at hand); for CSV there is no
// standard beyond RFC 4180, so that separator, decimal sign, columns and units are recognised or told. Times are
// integer picoseconds, exact wherever the file's own unit allows. What was recognised, and what of it was guessed, is
// said in About; what is wrong with the file is a diagnostic with line and byte, and what could be read is handed on.
//
// The polarity is that of the left rail against the right one. One wire alone is taken as if it were the difference:
// High is Positive. Two logic wires, or two voltages, are taken as the rails; a voltage is judged with hysteresis and
// crosses where the straight line between two samples does. A level changes with the first sample that shows it: later
// than the track did by up to the step of the samples, which is the Resolution.
//
// Not modelled: extended VCD (ports with strengths), UTF-16, clock times and dates as a time axis.
//
// Entry points: Open; WriteVCD, WriteCSV; Intervals, which says what a signal looks like.
package recording

import (
	"bytes"
	"io"
	"slices"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Format is a kind of file.
type Format string

const (
	VCD Format = "VCD"
	CSV Format = "CSV"
)

// A Timing is what the numbers of a CSV time column are.
type Timing string

const (
	Times     Timing = "times"     // instants, or numbers of samples if the unit is the sample step
	Durations Timing = "durations" // how long each level lasts: half-bits
)

// Settings say what the file does not, or what is wanted of it. The zero value has everything recognised.
type Settings struct {
	Format Format // "": by what the file looks like

	// Wires are the names of variables or columns: one (a wire, a rail, or the difference of both), or the left and the
	// right rail. Columns may also be told by number, from 1; one bit of a vector is "name[3]". None: the pair or the
	// one that looks most like DCC.
	Wires []string

	// Low and High are the limits of a voltage: at or below Low it is low, at or above High it is high, in between it
	// stays what it was; the instant is the crossing of the middle. Both 0: found from the beginning of the recording,
	// ±25 % of the amplitude about its centre (S-9.1 B lets noise have 25 % of the peak-to-peak value in all).
	Low, High unit.Volt

	// Bridge is how long both rails may be alike and still be crossing to the opposite polarity. 0: 4 µs, in which
	// 8 V pass at the least slew that a decoder must stand, 2 V/µs (S-9.1 table 2). Negative: never.
	Bridge unit.Time

	// Resolution is how far a recorded time may be off. 0: the step of the times in the file.
	Resolution unit.Time

	Unit       unit.Time // of the numbers in the time column, or of VCD ticks where the file has no $timescale; 0: as recognised
	Timing     Timing    // of the time column; "": as recognised
	TimeColumn string    // its name, or its number from 1; "": as recognised
	Separator  byte      // ',', ';', tab or space; 0: as recognised
	Decimal    byte      // '.' or ','; 0: as recognised
}

const defaultBridge = 4 * unit.Microsecond

func (s Settings) bridge() unit.Time {
	switch {
	case s.Bridge < 0:
		return 0
	case s.Bridge == 0:
		return defaultBridge
	}
	return s.Bridge
}

// check is what is wrong with the settings themselves.
func (s Settings) check(p *problems) {
	if len(s.Wires) > 2 {
		p.general(diag.Error, "wire-many", "%d wires are named, two rails are the most", len(s.Wires))
	}
	if len(s.Wires) == 2 && s.Wires[0] == s.Wires[1] {
		p.general(diag.Error, "wire-twice", "%q is named as both rails", s.Wires[0])
	}
	if s.Low > s.High || (s.Low != 0 || s.High != 0) && !(s.Low < s.High) {
		p.general(diag.Error, "limits-crossed", "the lower limit, %v, does not lie below the upper one, %v", s.Low, s.High)
	}
	if s.Unit < 0 || s.Resolution < 0 {
		p.general(diag.Error, "unit-negative", "unit %v and resolution %v: neither may be negative", s.Unit, s.Resolution)
	}
	if s.Format != "" && s.Format != VCD && s.Format != CSV {
		p.general(diag.Error, "format-unknown", "%q is no format of recordings: %s and %s are", s.Format, VCD, CSV)
	}
	if s.Timing != "" && s.Timing != Times && s.Timing != Durations {
		p.general(diag.Error, "timing-unknown", "%q: a time column holds %s or %s", s.Timing, Times, Durations)
	}
	if s.Separator != 0 && !strings.ContainsRune(separators, rune(s.Separator)) {
		p.general(diag.Error, "separator-unknown", "%q does not separate columns: comma, semicolon, tab and space do", s.Separator)
	}
	if s.Decimal != 0 && s.Decimal != '.' && s.Decimal != ',' {
		p.general(diag.Error, "decimal-unknown", "%q is no decimal sign: point and comma are", s.Decimal)
	}
}

// A Kind is how the signal was recorded.
type Kind string

const (
	OneWire    Kind = "one wire"              // logic level of a rail or of the difference
	TwoRails   Kind = "two rails"             // logic levels of both
	OneVoltage Kind = "voltage of one rail"   // never far below 0
	Difference Kind = "voltage between rails" // recorded as such, or the difference of two voltages
	EdgesAlone Kind = "edges alone"           // no levels: every entry is a change
)

// About is what a recording says about itself, and what had to be guessed. Changes, End and Bytes grow until the end
// of the recording has been read; Resolution may.
type About struct {
	Format Format
	Gzip   bool
	Bytes  int64 // unpacked

	Wires   []string // full names of what was taken: one, or left and right
	Why     string   // it and nothing else
	Others  []string // what else could be taken, at most a dozen
	Kind    Kind
	Guessed []string // everything that was guessed and not told, in words

	Unit       unit.Time // of one count of time; 0 if it is less than a picosecond
	Resolution unit.Time // how far one recorded time may be off
	Because    string    // where the resolution comes from

	Low, High    unit.Volt    // limits, for a voltage
	Dwells       [2]unit.Volt // where it dwells: the 5th and the 95th hundredth of its beginning
	Interpolated bool         // crossings lie on straight lines between samples; else a value holds until the next

	Separator, Decimal byte   // CSV
	TimeColumn         string // CSV
	Timing             Timing // CSV

	Date, Version, Comment string // VCD, cut to some hundred characters

	Changes    int64
	Start, End unit.Time // of the first change; of the last time in the file
	Bridged    int64     // crossings during which both rails were alike
	Slowest    unit.Time // crossing, or time between the limits
}

// A reader is one format, told what to read.
type reader interface {
	read(d *detector) error // until the block is full, or io.EOF
	about(a *About)         // what may have grown
}

// A Recording is a wave.Source. Its first change tells what the signal was when the recording began, and is an edge only
// where edges alone were recorded; the last polarity holds until About's End.
type Recording struct {
	r     reader
	d     detector
	p     *problems
	about About
	done  error
}

// blockSize is how many changes a block has, about.
const blockSize = 4096

// How much of the beginning is looked at to recognise what it is: more, if less does not show enough of it.
const (
	firstLook = 1 << 20
	lastLook  = 16 << 20
	enough    = 200 // half-bits
)

// Open begins a recording; name is that of the file, for diagnostics and for what it ends in. The recording is nil if
// nothing can be read of it, which the list then says; else the list holds what is known so far, and Problems all of it
// after the end.
func Open(r io.Reader, name string, set Settings) (*Recording, diag.List) {
	p := &problems{file: name}
	if set.check(p); p.list.HasErrors() {
		return nil, p.all()
	}
	in, packed, err := unpacked(r)
	if err != nil {
		p.general(diag.Error, "gzip-damaged", "the file begins like gzip and cannot be unpacked: %v", err)
		return nil, p.all()
	}
	var rec *Recording
	var head []byte
	for size := firstLook; ; size *= 4 {
		for err = nil; len(head) < size && err == nil; {
			head = slices.Grow(head, 16<<10)
			var n int
			n, err = in.Read(head[len(head):min(cap(head), size)])
			head = head[:len(head)+n]
		}
		again := &problems{file: name, list: p.list}
		var halves int
		rec, halves = begin(head, io.MultiReader(bytes.NewReader(head), rest{in, err}), name, set, again)
		if err != nil || halves >= enough || size >= lastLook {
			p = again
			break
		}
	}
	if rec == nil {
		return nil, p.all()
	}
	rec.about.Gzip = packed
	rec.d.bridge = set.bridge()
	return rec, p.all()
}

// rest is what follows the head: nothing but the error if there was one.
type rest struct {
	r   io.Reader
	err error
}

func (r rest) Read(b []byte) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	return r.r.Read(b)
}

// begin recognises what the head holds and sets up its reading from all, whose beginning the head is; it says how many
// half-bits of DCC it saw.
func begin(head []byte, all io.Reader, name string, set Settings, p *problems) (*Recording, int) {
	format := set.Format
	switch text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\uFEFF")), " \t\r\n"); {
	case len(text) == 0:
		p.general(diag.Error, "recording-empty", "the file is empty: %d bytes, and nothing but white space", len(head))
		return nil, 0
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}), bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		p.general(diag.Error, "recording-utf16", "the file is UTF-16: save it as UTF-8")
		return nil, 0
	case format != "":
	case looksLikeVCD(text, name):
		format = VCD
	default:
		format = CSV
	}
	rec := &Recording{p: p, about: About{Format: format}}
	var c *choice
	if format == VCD {
		c = rec.beginVCD(head, all, set)
	} else {
		c = rec.beginCSV(head, all, set)
	}
	if c == nil {
		return nil, 0
	}
	rec.d.volts = c.volts
	a := &rec.about
	a.Kind, a.Why = c.kind, c.why
	if c.voltages() {
		a.Low, a.High = unit.Volt(c.volts.low), unit.Volt(c.volts.high)
		a.Dwells = [2]unit.Volt{unit.Volt(c.volts.dwells[0]), unit.Volt(c.volts.dwells[1])}
		a.Interpolated = !c.volts.hold
	}
	if set.Resolution > 0 {
		a.Resolution, a.Because = set.Resolution, "told"
	}
	return rec, c.halves
}

// looksLikeVCD goes by the first word, then by the name.
func looksLikeVCD(text []byte, name string) bool {
	if text[0] == '$' {
		return true
	}
	name = strings.TrimSuffix(strings.ToLower(name), ".gz")
	return strings.HasSuffix(name, ".vcd")
}

// Next implements wave.Source. The block is the recording's own until the next call. After an error of the system what
// was read until then has been handed on.
func (r *Recording) Next(c *wave.Changes) error {
	r.d.c.At, r.d.c.To = r.d.c.At[:0], r.d.c.To[:0]
	for len(r.d.c.At) == 0 && r.done == nil {
		r.done = r.r.read(&r.d)
	}
	r.grow()
	*c = r.d.c
	if len(c.At) > 0 {
		return nil
	}
	return r.done
}

func (r *Recording) grow() {
	a := &r.about
	if n := len(r.d.c.At); n > 0 && a.Changes == 0 {
		a.Start = r.d.c.At[0]
	}
	a.Changes += int64(len(r.d.c.At))
	a.Bridged, a.Slowest = r.d.joined, r.d.longest
	r.r.about(a)
	if r.done == io.EOF && a.Changes == 0 && !r.p.list.HasErrors() {
		r.p.once("recording-silent", diag.Warning, "nothing is said of %s, or nothing but that it is unclear", strings.Join(a.Wires, " and "))
	}
}

// About is what is known so far.
func (r *Recording) About() About { return r.about }

// Resolution is how far one recorded time may be off, as far as is known; an interval may be off by as much either way.
func (r *Recording) Resolution() unit.Time { return r.about.Resolution }

// Problems are those found so far, all of them once Next has returned io.EOF.
func (r *Recording) Problems() diag.List { return r.p.all() }
