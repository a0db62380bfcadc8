package train_test

import (
	"fmt"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/train"
)

// BenchmarkLongTrainWronglyMapped is a train of eight cars, all of whose middle ones are mapped wrongly, with wants for
// both directions: the search for mends goes through all single changes and pairs.
func BenchmarkLongTrainWronglyMapped(b *testing.B) {
	var src, places strings.Builder
	var want [2][]string
	for i := range 8 {
		name := fmt.Sprint("car ", i)
		forward, reverse := "head", "tail"
		if i > 1 && i < 5 {
			forward, reverse = reverse, forward
		}
		src.WriteString(car(name, fmt.Sprint("d", i), forward, reverse, "address = 47"))
		fmt.Fprintf(&places, "  vehicle %q {\n  }\n", name)
		want[0] = append(want[0], fmt.Sprintf("%q", name+" / head"))
		want[1] = append(want[1], fmt.Sprintf("%q", name+" / tail"))
	}
	fmt.Fprintf(&src, "train {\n%s", places.String())
	for i, dir := range []string{"forward", "reverse"} {
		fmt.Fprintf(&src, "  want {\n    direction = %q\n    function = \"F0\"\n    lit = [%s]\n  }\n", dir, strings.Join(want[i], ", "))
	}
	src.WriteString("}\n")
	model := load(b, src.String())
	if j := verdict(b, train.Judge(model, nil).Findings, "train.forward.F0"); j.Verdict != finding.Fails || j.Mend == "" {
		b.Fatal(j.Verdict, j.Mend)
	}
	b.Run("one change mends it", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			train.Judge(model, nil)
		}
	})
	b.Run("nothing mends it", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			train.Judge(model, func(d *build.Decoder, o *build.Output, l *build.Lamp, r train.Rail) train.Shown {
				return train.Shown{Known: true, State: train.Dark}
			})
		}
	})
}
