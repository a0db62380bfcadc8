package audit

import (
	"flag"

	_ "pgregory.net/rapid"
)

// The random tests draw the same cases every time; -rapid.seed=0 draws others.
func init() {
	if err := flag.Set("rapid.seed", "1"); err != nil {
		panic(err)
	}
}
