package experiment

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

// LogName is the file in the build's folder that keeps the readings of the cards.
const LogName = "experiments.csv"

// Append adds readings at the end of the log at path, which is made if it is not there: one write, synced, and cut back to
// what was there if it fails. What is there stays, byte for byte.
func Append(path, date, card, subject, meterName string, list []Reading) (err error) {
	old, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("reading %s: %w", path, err)
	}
	var b strings.Builder
	if len(old) > 0 && old[len(old)-1] != '\n' {
		b.WriteString("\n")
	}
	w := csv.NewWriter(&b)
	if len(old) == 0 {
		_ = w.Write([]string{"date", "card", "part", "reading", "meter"})
	}
	for _, r := range list {
		_ = w.Write([]string{date, card, subject, r.Text, meterName})
	}
	if w.Flush(); w.Error() != nil {
		return w.Error() // a strings.Builder does not fail
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o666)
	if err != nil {
		return fmt.Errorf("opening %s: %w", path, err)
	}
	defer f.Close()
	if n, werr := f.WriteString(b.String()); werr != nil {
		if info, serr := f.Stat(); serr == nil && info.Size() == int64(len(old)+n) {
			_ = f.Truncate(int64(len(old)))
		}
		return fmt.Errorf("writing %s: %w", path, werr)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	return f.Close()
}
