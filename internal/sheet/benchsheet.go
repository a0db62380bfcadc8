package sheet

import (
	"fettle/internal/bench"
	"fettle/internal/work"
)

func Bench(b *work.Bench, taken []bench.Taken, t Title) ([]byte, error) { return nil, nil }
