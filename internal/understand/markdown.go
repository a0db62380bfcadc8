package understand

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Markdown is the chapters as files: a page of contents, a page for each chapter, and its figures.
func Markdown(list []Chapter) map[string][]byte {
	out := map[string][]byte{}
	var index strings.Builder
	index.WriteString("# Understand\n\nFive short chapters for the builder who will not take a rule of thumb on trust. Every number and figure in them is computed by fettle\nfrom its demo, an invented railcar; in the daybook they are computed from your own build.\n\n")
	for k, c := range list {
		fmt.Fprintf(&index, "%d. [%s](%s.md)\n", k+1, c.Title, c.ID)
		out[c.ID+".md"] = c.markdown(out)
	}
	out["README.md"] = []byte(index.String())
	return out
}

// markdown is the page of a chapter; its figures go into files.
func (c *Chapter) markdown(files map[string][]byte) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n\n*Computed from the build “%s”.*\n", c.Title, c.Of)
	figures := 0
	for _, k := range c.Blocks {
		b.WriteString("\n")
		switch {
		case k.Figure != nil:
			figures++
			name := fmt.Sprintf("%s-%d.svg", c.ID, figures)
			files[name] = []byte(draw.Plot(*k.Figure, draw.Options{Standalone: true}))
			fmt.Fprintf(&b, "![%s](%s)\n\n*%s. %s*\n", k.Figure.Title, name, k.Figure.Title, k.Figure.Caption)
		case k.Table != nil:
			table(&b, *k.Table)
		default:
			b.WriteString(k.Text + "\n")
		}
	}
	return []byte(b.String())
}

func table(b *strings.Builder, t finding.Table) {
	fmt.Fprintf(b, "**%s**\n\n|", t.Title)
	for _, c := range t.Columns {
		b.WriteString(" " + c.Title + " |")
	}
	b.WriteString("\n|")
	for _, c := range t.Columns {
		if c.Numeric {
			b.WriteString(" ---: |")
		} else {
			b.WriteString(" --- |")
		}
	}
	b.WriteString("\n")
	for _, r := range t.Rows {
		b.WriteString("|")
		for _, c := range r {
			text := c.Text
			if text == "" && !math.IsNaN(c.Number) {
				text = unit.Format(c.Number, c.Unit, max(c.Digits, 2))
			}
			b.WriteString(" " + text + " |")
		}
		b.WriteString("\n")
	}
}
