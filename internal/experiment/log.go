package experiment

import (
	"bytes"
	"encoding/csv"

	"fettle/internal/build"
)

// LogName is the file in the build's folder that keeps the readings of the cards.
const LogName = "experiments.csv"

// Append adds readings at the end of the log at path, which is made if it is not there: one write, synced, and cut back to
// what was there if it fails (build.Append). What is there stays, byte for byte.
func Append(path, date, card, subject, meterName string, list []Reading) error {
	return build.Append(path, func(old []byte) ([]byte, error) {
		var b bytes.Buffer
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
		w.Flush()
		return b.Bytes(), w.Error() // a buffer does not fail
	})
}
