package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/sheet"
	"fettle/internal/work"
)

func (a *app) sheetCommand() *cobra.Command {
	return a.command("sheet [FILE]", "The build sheet: one self-contained HTML file", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if err := noMore(rest); err != nil {
			return err
		}
		p, err := a.runner().Prove(ctx, f, true)
		if err != nil {
			return err
		}
		names := a.outputs
		if len(names) == 0 {
			names = []string{strings.TrimSuffix(filepath.Base(f.File), build.Suffix) + ".html"}
		}
		for _, name := range names {
			if err := a.write(name, p.Findings, func() ([]byte, error) { return page(p) }); err != nil {
				return err
			}
			fmt.Fprintln(a.err, "fettle: wrote", name)
		}
		a.judged(p.Findings)
		return nil
	})
}

// page is the sheet of what was proved, dated today.
func page(p work.Proved) ([]byte, error) {
	return sheet.Sheet(sheet.Of(p, time.Now().Format("2006-01-02")))
}

// writeFigures writes every figure as an SVG of its own: NAME.svg becomes NAME-figure.svg where there are
// several.
func writeFigures(name string, f finding.Findings) error {
	if len(f.Figures) == 0 {
		return fmt.Errorf("-o %s: this question drew no figure", name)
	}
	base := strings.TrimSuffix(name, filepath.Ext(name))
	for _, fig := range f.Figures {
		path := name
		if len(f.Figures) > 1 {
			path = base + "-" + strings.ReplaceAll(fig.ID, ".", "-") + filepath.Ext(name)
		}
		if err := build.Save(path, []byte(draw.Plot(fig, draw.Options{Standalone: true}))); err != nil {
			return err
		}
	}
	return nil
}
