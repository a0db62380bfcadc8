// Package understand is five short chapters for the builder who will not take a rule of thumb on trust. Every number and every
// figure in them is computed from a proved build, the demo or the reader's own: none can go stale.
//
// Where a build has nothing that a chapter is about (no lamp on one rail, no bipolar switch), the chapter is computed from
// another build and says so.
//
// Entry points: All, Markdown.
package understand

import (
	"context"
	"errors"
	"fmt"
	"math"

	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

// A Chapter answers one question.
type Chapter struct {
	ID, Title string
	Of        string // the build that its numbers are of
	Blocks    []Block
}

// A Block is prose, a figure or a table.
type Block struct {
	Text   string
	Figure *finding.Figure
	Table  *finding.Table
}

func (c *Chapter) say(format string, a ...any) {
	c.Blocks = append(c.Blocks, Block{Text: fmt.Sprintf(format, a...)})
}

func (c *Chapter) figure(f finding.Figure) { c.Blocks = append(c.Blocks, Block{Figure: &f}) }

func (c *Chapter) table(t finding.Table) { c.Blocks = append(c.Blocks, Block{Table: &t}) }

// errNothing: the build has nothing that the chapter is about.
var errNothing = errors.New("nothing of the kind in this build")

var chapters = []struct {
	id, title string
	write     func(ctx context.Context, c *Chapter, p work.Proved) error
}{
	{"base", "How hard a transistor must be driven, and why ten is the custom", base},
	{"half", "Why a lamp on one rail is half as bright, and hardly looks it", half},
	{"hidden", "What the hidden resistor is, and how sure two meter readings make us", hidden},
	{"clock", "What a clock that is 8 % off does to a bit", clock},
	{"yesterday", "Why a board that worked yesterday fails today", yesterday},
}

// All are the chapters, computed from own where it has what they are about, else from other.
func All(ctx context.Context, own, other work.Proved) ([]Chapter, error) {
	var out []Chapter
	for _, k := range chapters {
		c := Chapter{ID: k.id, Title: k.title, Of: own.Build.Name()}
		err := k.write(ctx, &c, own)
		if errors.Is(err, errNothing) {
			c = Chapter{ID: k.id, Title: k.title, Of: other.Build.Name()}
			err = k.write(ctx, &c, other)
		}
		if err != nil {
			return nil, fmt.Errorf("chapter %s: %w", k.id, err)
		}
		out = append(out, c)
	}
	return out, nil
}

// networks are those of the decoders that can be wired.
func networks(p work.Proved) ([]*wiring.Network, error) {
	var out []*wiring.Network
	for i := range p.Build.Decoders {
		n, _, err := wiring.NewNetwork(p.Build, &p.Build.Decoders[i], p.Lamps)
		if err != nil {
			return nil, err
		}
		if n != nil {
			out = append(out, n)
		}
	}
	return out, nil
}

// Quantities in running text and in cells.
func volt(v float64) string { return unit.Format(v, unit.SymVolt, 3) }
func amp(i float64) string  { return unit.Format(i, unit.SymAmp, 3) }
func ohm(r float64) string  { return unit.Format(r, unit.SymOhm, 3) }

func percent(x float64) string { return fmt.Sprintf("%.0f%s%%", 100*x, unit.ThinSpace) }

func number(x float64, symbol string, digits int) finding.Cell {
	c := finding.Cell{Number: x, Unit: symbol, Digits: digits}
	if symbol == "" { // a cell without a unit is shown by its text
		c.Text = unit.Format(x, "", digits)
	}
	return c
}

var nan = math.NaN()

func word(s string) finding.Cell { return finding.Cell{Text: s} }
