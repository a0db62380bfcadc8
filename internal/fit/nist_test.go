package fit

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/dual"
)

// NIST Statistical Reference Datasets, nonlinear regression (US National Institute of Standards and Technology):
// data, starts, certified parameters, standard deviations and RSS are read from the published files.
const nistDir = "../../../shared/reference/nist-strd"

type strd struct {
	name      string
	starts    [2][]float64
	want, dev []float64
	rss       float64
	x, y      []float64
}

func readStRD(t testing.TB, path string) strd {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := strd{name: strings.TrimSuffix(filepath.Base(path), ".dat")}
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		return v
	}
	sc := bufio.NewScanner(f)
	for line := 1; sc.Scan(); line++ {
		w := strings.Fields(sc.Text())
		switch {
		case line > 60 && len(w) == 2:
			d.y, d.x = append(d.y, num(w[0])), append(d.x, num(w[1]))
		case len(w) == 6 && strings.HasPrefix(w[0], "b") && w[1] == "=":
			d.starts[0], d.starts[1] = append(d.starts[0], num(w[2])), append(d.starts[1], num(w[3]))
			d.want, d.dev = append(d.want, num(w[4])), append(d.dev, num(w[5]))
		case strings.HasPrefix(sc.Text(), "Residual Sum of Squares:"):
			d.rss = num(w[len(w)-1])
		}
	}
	if len(d.want) == 0 || len(d.x) == 0 || d.rss == 0 {
		t.Fatalf("%s: not read: %d parameters, %d points", path, len(d.want), len(d.x))
	}
	return d
}

func con(x float64) dual.Number { return dual.Number{Real: x} }

func poly(x float64, b ...dual.Number) dual.Number {
	s := b[len(b)-1]
	for i := len(b) - 2; i >= 0; i-- {
		s = dual.Add(b[i], dual.Scale(x, s))
	}
	return s
}

func over(a, b dual.Number) dual.Number { return dual.Mul(a, dual.Inv(b)) }

// The model formulas of the files, in dual numbers, so that exact derivatives come along.
var strdModel = map[string]func(b []dual.Number, x float64) dual.Number{
	"Bennett5": func(b []dual.Number, x float64) dual.Number {
		return dual.Mul(b[0], dual.Pow(dual.Add(b[1], con(x)), dual.Scale(-1, dual.Inv(b[2]))))
	},
	"Chwirut2": func(b []dual.Number, x float64) dual.Number {
		return over(dual.Exp(dual.Scale(-x, b[0])), poly(x, b[1], b[2]))
	},
	"Eckerle4": func(b []dual.Number, x float64) dual.Number {
		u := over(dual.Sub(con(x), b[2]), b[1])
		return dual.Mul(over(b[0], b[1]), dual.Exp(dual.Scale(-0.5, dual.Mul(u, u))))
	},
	"Hahn1": cubic, "Thurber": cubic,
	"Lanczos3": func(b []dual.Number, x float64) dual.Number {
		var s dual.Number
		for i := 0; i < 6; i += 2 {
			s = dual.Add(s, dual.Mul(b[i], dual.Exp(dual.Scale(-x, b[i+1]))))
		}
		return s
	},
	"MGH09": func(b []dual.Number, x float64) dual.Number {
		return over(dual.Mul(b[0], dual.Add(con(x*x), dual.Scale(x, b[1]))), dual.Add(con(x*x), dual.Add(dual.Scale(x, b[2]), b[3])))
	},
	"Misra1a": func(b []dual.Number, x float64) dual.Number {
		return dual.Mul(b[0], dual.Sub(con(1), dual.Exp(dual.Scale(-x, b[1]))))
	},
}

func cubic(b []dual.Number, x float64) dual.Number {
	return over(poly(x, b[:4]...), poly(x, con(1), b[4], b[5], b[6]))
}

func (d strd) problem(exact bool) Problem {
	f := strdModel[d.name]
	b := make([]dual.Number, len(d.want))
	load := func(p []float64) {
		for j := range p {
			b[j] = con(p[j])
		}
	}
	pr := Problem{N: len(d.x), Residuals: func(p, r []float64) {
		load(p)
		for i, x := range d.x {
			r[i] = f(b, x).Real - d.y[i]
		}
	}}
	if exact {
		pr.Jacobian = func(p []float64, j *mat.Dense) {
			load(p)
			for k := range b {
				b[k].Emag = 1
				for i, x := range d.x {
					j.Set(i, k, f(b, x).Emag)
				}
				b[k].Emag = 0
			}
		}
	}
	return pr
}

// lre is the number of right digits, capped at the 11 of the certification.
func lre(got, want float64) float64 {
	if got == want {
		return 11
	}
	return math.Min(11, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}

func least(got, want []float64) float64 {
	l := 11.0
	for i := range want {
		l = math.Min(l, lre(got[i], want[i]))
	}
	return l
}

func strdFiles(t testing.TB) []strd {
	files, _ := filepath.Glob(filepath.Join(nistDir, "*.dat"))
	if len(files) == 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("the NIST StRD files are not here")
		}
		t.Skip("the NIST StRD files are not here")
	}
	if len(files) != len(strdModel) {
		t.Fatalf("%d files, %d models", len(files), len(strdModel))
	}
	var all []strd
	for _, f := range files {
		all = append(all, readStRD(t, f))
	}
	return all
}

func TestNISTStRD(t *testing.T) {
	for _, d := range strdFiles(t) {
		for _, exact := range []bool{false, true} {
			for i, start := range d.starts {
				t.Run(fmt.Sprintf("%s/start%d/exact=%v", d.name, i+1, exact), func(t *testing.T) {
					res := Solve(d.problem(exact), start, Settings{})
					p, s, q := least(res.P, d.want), least(res.StdDev, d.dev), lre(res.RSS, d.rss)
					t.Logf("digits: parameters %.1f, deviations %.1f, RSS %.1f; %v, offset %.1e, %d starts, %d iterations, %d evaluations, condition %.0e",
						p, s, q, res.Status, res.Offset, res.Starts, res.Iterations, res.Evals, res.Condition)
					if !res.OK() {
						t.Errorf("%v: %s", res.Status, res.Why)
					}
					if !(p >= 6) || !(s >= 6) || !(q >= 6) {
						t.Errorf("fewer than six digits: parameters %.2f, deviations %.2f, RSS %.2f\n got %v ± %v\nwant %v ± %v", p, s, q, res.P, res.StdDev, d.want, d.dev)
					}
				})
			}
		}
	}
}
