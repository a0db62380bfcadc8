package main

import (
	"os"
	"time"

	"github.com/mattn/go-isatty"
	"github.com/schollz/progressbar/v3"
)

// progress draws a bar on standard error if it is a terminal and the work lasts longer than a second.
func (a *app) progress() func(what string, done, total int) {
	file, ok := a.err.(*os.File)
	if !ok || !isatty.IsTerminal(file.Fd()) {
		return nil
	}
	var bar *progressbar.ProgressBar
	start := time.Now()
	return func(what string, done, total int) {
		if bar == nil {
			if time.Since(start) < time.Second {
				return
			}
			bar = progressbar.NewOptions(total, progressbar.OptionSetWriter(file), progressbar.OptionSetDescription(what), progressbar.OptionClearOnFinish())
		}
		_ = bar.Set(done)
	}
}
