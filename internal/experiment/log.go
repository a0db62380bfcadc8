package experiment

import (
	"bytes"
	"encoding/csv"
	"slices"

	"fettle/internal/build"
)

// LogName is the file in the build's folder that keeps the readings of the cards.
const LogName = "experiments.csv"

// Append adds readings at the end of the log at path, which is made if it is not there: one write, synced, and cut back to
// what was there if it fails (build.Append). What is there stays, byte for byte.
func Append(path, date, card, subject, meterName string, list []Reading) error {
	return build.Append(path, func(old []byte) ([]byte, error) {
		return addition(old, date, card, subject, meterName, list), nil
	})
}

// With is the log old, which may be nil, with readings put behind it as Append would.
func With(old []byte, date, card, subject, meterName string, list []Reading) []byte {
	return slices.Concat(old, addition(old, date, card, subject, meterName, list))
}

func addition(old []byte, date, card, subject, meterName string, list []Reading) []byte {
	var b bytes.Buffer
	if len(old) > 0 && old[len(old)-1] != '\n' {
		b.WriteString("\n")
	}
	w := csv.NewWriter(&b) // a bytes.Buffer does not fail
	if len(old) == 0 {
		_ = w.Write([]string{"date", "card", "part", "reading", "meter"})
	}
	for _, r := range list {
		_ = w.Write([]string{date, card, subject, r.Text, meterName})
	}
	w.Flush()
	return b.Bytes()
}
