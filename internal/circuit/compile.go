package circuit

import (
	"fettle/internal/device"
	"fettle/internal/unit"
)

// Compile lays a circuit out for solving, or says why it cannot be solved (*TopologyError). The solver keeps
// its own copy of the circuit.
func Compile(c *Circuit) (*Solver, error) {
	s := &Solver{c: c.Clone(), near: StepTolerance}
	if err := s.compile(); err != nil {
		return nil, err
	}
	return s, nil
}

// layout is the state of compiling: points are the circuit's nodes and the devices' own nodes behind them;
// unknowns are numbered as they are met and renumbered when the order of elimination is known.
type layout struct {
	s        *Solver
	unknown  []int32   // by point: unknown, or −1
	cliques  [][]int32 // unknowns that an element couples
	bent     []bool    // by unknown: touched by something that is not linear
	branches int32     // unknowns from here on are branch currents
}

// compile builds everything that depends on the topology; the values follow from the elements.
func (s *Solver) compile() error {
	c := s.c
	group, tree, used, err := c.check()
	if err != nil {
		return err
	}
	s.tree, s.used = tree, used
	l := &layout{s: s}
	byGroup := make([]int32, len(c.nodes))
	n := int32(0)
	for k := range c.nodes {
		l.unknown = append(l.unknown, -1)
		lead := group.find(k)
		if !used[k] || lead == 0 {
			continue
		}
		if lead == k {
			byGroup[k] = n
			n++
		}
		l.unknown[k] = byGroup[lead]
	}
	l.bent = make([]bool, n)

	s.at = make([]int32, len(c.elements))
	s.res, s.cur, s.dio, s.bjt, s.reg, s.pin, s.fil, s.mos = nil, nil, nil, nil, nil, nil, nil, nil
	for i := range c.elements {
		e := &c.elements[i]
		s.at[i] = -1
		if e.Removed {
			continue
		}
		p := [3]int32{}
		for k, node := range e.Nodes {
			p[k] = int32(node)
		}
		switch e.Kind {
		case KindResistor:
			s.at[i] = l.resistor(p[0], p[1])
		case KindCurrent:
			s.at[i] = int32(len(s.cur))
			s.cur = append(s.cur, currentK{from: p[0], to: p[1]})
		case KindDiode:
			s.at[i] = l.diode(Elem(i), p[0], p[1], e.Diode.RS)
		case KindBJT:
			q := bjtK{elem: Elem(i)}
			q.c, q.rc = l.behind(p[0], e.BJT.RC)
			q.b, q.rb = l.behind(p[1], e.BJT.RB)
			q.e, q.re = l.behind(p[2], e.BJT.RE)
			l.couple(true, q.c, q.b, q.e)
			s.at[i] = int32(len(s.bjt))
			s.bjt = append(s.bjt, q)
		case KindFilament:
			l.couple(true, p[0], p[1])
			s.at[i] = int32(len(s.fil))
			s.fil = append(s.fil, filamentK{elem: Elem(i), a: p[0], b: p[1]})
		case KindMOSFET:
			q := mosfetK{elem: Elem(i), g: p[1], s: p[2], body: -1}
			q.d, q.rd = l.behind(p[0], e.MOSFET.R0)
			l.couple(true, q.d, q.g, q.s)
			if e.MOSFET.Body.IS > 0 {
				anode, cathode := p[2], p[0]
				if e.MOSFET.P {
					anode, cathode = cathode, anode
				}
				q.body = l.diode(Elem(i), anode, cathode, e.MOSFET.Body.RS)
			}
			s.at[i] = int32(len(s.mos))
			s.mos = append(s.mos, q)
		case KindRegulator:
			s.at[i] = int32(len(s.reg))
			s.reg = append(s.reg, regulatorK{elem: Elem(i), in: p[0], out: p[1], gnd: p[2], divider: l.resistor(p[1], p[2])})
		case KindPin:
			q := pinK{elem: Elem(i), p: p[0], vcc: p[1], gnd: p[2], clampHigh: -1, clampLow: -1}
			q.high = l.resistor(p[0], p[1])
			q.low = l.resistor(p[0], p[2])
			if e.Pin.Clamp.IS > 0 {
				q.clampHigh = l.diode(Elem(i), p[0], p[1], e.Pin.Clamp.RS)
				q.clampLow = l.diode(Elem(i), p[2], p[0], e.Pin.Clamp.RS)
			}
			q.leaks, q.follows = e.Pin.Leak != 0, e.Pin.VCC > 0
			if q.leaks || q.follows {
				l.couple(true, p[0], p[1], p[2])
			}
			s.at[i] = int32(len(s.pin))
			s.pin = append(s.pin, q)
		}
	}
	// Branch currents last, so that current law and voltage law rows can be told apart by number.
	l.branches = int32(len(l.bent))
	for k := range s.reg {
		r := &s.reg[k]
		i := int32(len(l.bent))
		l.bent = append(l.bent, true)
		r.branch = i
		clique := []int32{i}
		for _, p := range []int32{r.in, r.out, r.gnd} {
			if u := l.unknown[p]; u >= 0 {
				clique = append(clique, u)
				l.bent[u] = true
			}
		}
		l.cliques = append(l.cliques, clique)
	}
	l.finish()
	s.nbad = 0
	s.bad = make([]bool, len(c.elements))
	s.touchAll()
	s.Reset()
	return nil
}

// inside adds a point with an unknown of its own.
func (l *layout) inside() int32 {
	l.unknown = append(l.unknown, int32(len(l.bent)))
	l.bent = append(l.bent, false)
	return int32(len(l.unknown) - 1)
}

// behind is the point behind an ohmic resistance at p, and the resistor between (−1: none).
func (l *layout) behind(p int32, r unit.Ohm) (point, resistor int32) {
	if r <= 0 {
		return p, -1
	}
	q := l.inside()
	return q, l.resistor(p, q)
}

func (l *layout) resistor(a, b int32) int32 {
	l.couple(false, a, b)
	l.s.res = append(l.s.res, resistorK{a: a, b: b})
	return int32(len(l.s.res) - 1)
}

func (l *layout) diode(e Elem, a, k int32, rs unit.Ohm) int32 {
	d := diodeK{elem: e, k: k}
	d.a, d.rs = l.behind(a, rs)
	l.couple(true, d.a, d.k)
	l.s.dio = append(l.s.dio, d)
	return int32(len(l.s.dio) - 1)
}

// couple notes that an element connects points.
func (l *layout) couple(bent bool, points ...int32) {
	var clique []int32
	for _, p := range points {
		if u := l.unknown[p]; u >= 0 {
			clique = append(clique, u)
			l.bent[u] = l.bent[u] || bent
		}
	}
	l.cliques = append(l.cliques, clique)
}

// linearFirst is the most neighbours a node with linear elements only may have to be eliminated ahead of its
// turn; with more, the fill would cost more than factoring its row anew.
const linearFirst = 4

// order is the order of elimination and the pattern of the factors in it.
func (l *layout) order() (order []int32, linear int, pattern [][]bool) {
	n := len(l.bent)
	adj := make([][]bool, n)
	for i := range adj {
		adj[i] = make([]bool, n)
	}
	for _, c := range l.cliques {
		for _, i := range c {
			for _, j := range c {
				if i != j {
					adj[i][j] = true
				}
			}
		}
	}
	degree := make([]int, n)
	for i := range adj {
		for _, b := range adj[i] {
			if b {
				degree[i]++
			}
		}
	}
	done := make([]bool, n)
	pattern = make([][]bool, n)
	eliminate := func(i int) {
		row := append([]bool(nil), adj[i]...)
		done[i] = true
		order = append(order, int32(i))
		pattern[i] = row
		for j := range n {
			if !row[j] {
				continue
			}
			adj[j][i] = false
			degree[j]--
			for k := range n {
				if row[k] && k != j && !adj[j][k] {
					adj[j][k] = true
					degree[j]++
				}
			}
		}
	}
	least := func(admit func(int) bool) int {
		best := -1
		for i := range n {
			if !done[i] && admit(i) && (best < 0 || degree[i] < degree[best]) {
				best = i
			}
		}
		return best
	}
	for {
		i := least(func(i int) bool { return !l.bent[i] && degree[i] <= linearFirst })
		if i < 0 {
			break
		}
		eliminate(i)
	}
	linear = len(order)
	// A regulator's equation has a sure pivot in its own current as long as its output node still stands.
	for i := int(l.branches); i < n; i++ {
		eliminate(i)
	}
	for {
		i := least(func(int) bool { return true })
		if i < 0 {
			break
		}
		eliminate(i)
	}
	return order, linear, pattern
}

// finish fixes the order of elimination, the places of the matrix entries and the operations.
func (l *layout) finish() {
	s := l.s
	order, linear, pattern := l.order()
	n := len(order)
	s.n, s.linear, s.branchAt, s.branches = n, linear, linear, n-int(l.branches)
	place := make([]int32, n)
	for k, i := range order {
		place[i] = int32(k)
	}

	// Places: pivot by pivot its diagonal, its row to the right, its column below.
	at := make([][]int32, n)
	for i := range at {
		at[i] = make([]int32, n)
		for j := range at[i] {
			at[i][j] = -1
		}
	}
	s.pivots = make([]pivot, n)
	s.rows, s.targets, s.columns = nil, nil, nil
	next := int32(0)
	right := make([][]int32, n) // columns to the right, ascending
	for k, i := range order {
		for j := range n {
			if pattern[i][j] {
				right[k] = append(right[k], place[j])
			}
		}
		sortInts(right[k])
		at[k][k] = next
		next++
		p := pivot{upper: next, width: int32(len(right[k]))}
		for _, j := range right[k] {
			at[k][j] = next
			next++
		}
		for _, j := range right[k] {
			at[j][k] = next
			next++
		}
		s.pivots[k] = p
		if k < linear {
			s.tail = int(next)
		}
	}
	if linear == 0 {
		s.tail = 0
	}
	s.nnz = int(next)
	for k := range s.pivots {
		p := &s.pivots[k]
		p.diag = at[k][k]
		p.rowFrom = int32(len(s.rows))
		for _, i := range right[k] {
			s.rows = append(s.rows, lowerRow{at: at[i][k], row: i, target: int32(len(s.targets))})
			for _, j := range right[k] {
				s.targets = append(s.targets, at[i][j])
			}
		}
		p.rowTo = int32(len(s.rows))
		p.column = int32(len(s.columns))
		s.columns = append(s.columns, right[k]...)
	}

	// Matrix entries and rows of the elements; what belongs to no unknown goes to a place never read.
	row := func(p int32) int32 {
		if u := l.unknown[p]; u >= 0 {
			return place[u]
		}
		return int32(n)
	}
	entry := func(i, j int32) int32 {
		if i == int32(n) || j == int32(n) {
			return int32(s.nnz)
		}
		return at[i][j]
	}
	points := len(l.unknown)
	s.v, s.offset = make([]float64, points), make([]float64, points)
	s.unknown = make([]int32, points)
	s.free = nil
	for p := range points {
		s.unknown[p] = row(int32(p))
		if s.unknown[p] < int32(n) {
			s.free = append(s.free, int32(p))
		}
	}
	for k := range s.res {
		r := &s.res[k]
		r.ra, r.rb = row(r.a), row(r.b)
		r.aa, r.ab, r.ba, r.bb = entry(r.ra, r.ra), entry(r.ra, r.rb), entry(r.rb, r.ra), entry(r.rb, r.rb)
	}
	for k := range s.cur {
		s.cur[k].rf, s.cur[k].rt = row(s.cur[k].from), row(s.cur[k].to)
	}
	for k := range s.dio {
		d := &s.dio[k]
		d.ra, d.rk = row(d.a), row(d.k)
		d.fixed = d.ra == d.rk
		d.aa, d.ak, d.ka, d.kk = entry(d.ra, d.ra), entry(d.ra, d.rk), entry(d.rk, d.ra), entry(d.rk, d.rk)
	}
	square := func(r [3]int32) (m [3][3]int32) {
		for i := range 3 {
			for j := range 3 {
				m[i][j] = entry(r[i], r[j])
			}
		}
		return m
	}
	for k := range s.bjt {
		q := &s.bjt[k]
		q.row = [3]int32{row(q.c), row(q.b), row(q.e)}
		q.m = square(q.row)
		q.fixedBC, q.fixedBE = q.row[1] == q.row[0], q.row[1] == q.row[2]
	}
	for k := range s.reg {
		r := &s.reg[k]
		r.branch = place[r.branch]
		r.row = [3]int32{row(r.in), row(r.out), row(r.gnd)}
		r.m = square(r.row)
		for i := range 3 {
			r.byBranch[i] = entry(r.row[i], r.branch)
			r.ofBranch[i] = entry(r.branch, r.row[i])
		}
		r.bb = at[r.branch][r.branch]
	}
	for k := range s.mos {
		q := &s.mos[k]
		q.row = [3]int32{row(q.d), row(q.g), row(q.s)}
		q.m = square(q.row)
		q.fixedGD, q.fixedGS = q.row[1] == q.row[0], q.row[1] == q.row[2]
	}
	for k := range s.fil {
		f := &s.fil[k]
		f.ra, f.rb = row(f.a), row(f.b)
		f.aa, f.ab, f.ba, f.bb = entry(f.ra, f.ra), entry(f.ra, f.rb), entry(f.rb, f.ra), entry(f.rb, f.rb)
	}
	for k := range s.pin {
		p := &s.pin[k]
		p.row = [3]int32{row(p.p), row(p.vcc), row(p.gnd)}
		p.m = square(p.row)
	}
	s.x, s.b = make([]float64, n), make([]float64, n+1)
	s.lu, s.base = make([]float64, s.nnz+1), make([]float64, s.nnz+1)
	s.inv, s.least, s.anchor = make([]float64, n), make([]float64, n), make([]float64, n)
}

func sortInts(a []int32) {
	for i := 1; i < len(a); i++ {
		for j := i; j > 0 && a[j] < a[j-1]; j-- {
			a[j], a[j-1] = a[j-1], a[j]
		}
	}
}

// touchAll has every value read anew from the elements.
func (s *Solver) touchAll() {
	s.stale, s.moved, s.sourced = true, true, true
	for i := range s.dio {
		s.dio[i].stale = true
	}
	for i := range s.bjt {
		s.bjt[i].stale = true
	}
	for i := range s.pin {
		s.pin[i].stale = true
	}
	for i := range s.fil {
		s.fil[i].stale = true
	}
	for i := range s.mos {
		s.mos[i].stale = true
	}
	for i := range s.reg {
		s.reg[i].law = s.c.elements[s.reg[i].elem].Regulator
		s.res[s.reg[i].divider].g = conductance(device.RegulatorDivider)
	}
	for i := range s.c.elements {
		e := &s.c.elements[i]
		if s.at[i] < 0 {
			continue
		}
		switch e.Kind {
		case KindResistor:
			s.res[s.at[i]].g = conductance(e.Ohm)
		case KindCurrent:
			s.cur[s.at[i]].i = float64(e.Amp)
		case KindDiode:
			s.setBehind(s.dio[s.at[i]].rs, e.Diode.RS)
		case KindBJT:
			q := &s.bjt[s.at[i]]
			s.setBehind(q.rc, e.BJT.RC)
			s.setBehind(q.rb, e.BJT.RB)
			s.setBehind(q.re, e.BJT.RE)
		}
	}
}

func (s *Solver) setBehind(resistor int32, r unit.Ohm) {
	if resistor >= 0 {
		s.res[resistor].g = conductance(r)
	}
}

func conductance(r unit.Ohm) float64 { return 1 / float64(max(r, ShortestWire)) }

// The elements as the iteration sees them: points for voltages, rows for currents, places in the matrix.
type (
	resistorK struct {
		a, b, ra, rb   int32
		aa, ab, ba, bb int32
		g              float64
	}
	currentK struct {
		from, to, rf, rt int32
		i                float64
	}
	diodeK struct {
		a, k, ra, rk   int32
		aa, ak, ka, kk int32
		rs             int32 // resistor before the junction, −1: none
		elem           Elem  // a diode, or the pin that it clamps
		j              device.Junction
		invNVt, invIS  float64
		fixed          bool    // supplies set its voltage
		u, i           float64 // where linearised, and the current there
		stale          bool
	}
	bjtK struct {
		c, b, e          int32
		rc, rb, re       int32
		row              [3]int32
		m                [3][3]int32
		elem             Elem
		law              device.Transport
		invNVt, invIS    float64
		fixedBE, fixedBC bool
		u1, u2           float64
		at               device.BJTPoint
		stale            bool
	}
	regulatorK struct {
		in, out, gnd       int32
		branch             int32
		divider            int32 // resistor
		row                [3]int32
		m                  [3][3]int32
		byBranch, ofBranch [3]int32
		bb                 int32
		elem               Elem
		law                device.Regulator
		vin, vout, i       float64 // where linearised
		at                 device.RegulatorPoint
	}
	mosfetK struct {
		d, g, s          int32 // d behind R0
		rd               int32 // resistor, −1: none
		body             int32 // diode, −1: none
		row              [3]int32
		m                [3][3]int32
		elem             Elem
		law              device.Channel
		fixedGS, fixedGD bool
		u1, u2           float64
		at               device.MOSFETPoint
		stale            bool
	}
	filamentK struct {
		a, b, ra, rb   int32
		aa, ab, ba, bb int32
		elem           Elem
		law            device.Glow
		v, i, g        float64 // where linearised, the current there and its slope
		stale          bool
	}
	pinK struct {
		p, vcc, gnd         int32
		high, low           int32 // resistors
		clampHigh, clampLow int32 // diodes, −1: none
		row                 [3]int32
		m                   [3][3]int32
		elem                Elem
		leaks, follows      bool // has a leakage; its drive follows the supply
		open, up, stale     bool // not driven; driven high
		leakage, drive      float64
		w                   float64 // voltage at which the leakage was linearised
		at, g, dg           float64 // supply at which the driven path was evaluated last, its conductance and slope
	}
)

// The factorisation: pivots with their rows below, and for each of those the entries it changes.
type (
	pivot struct {
		diag, upper, width int32
		rowFrom, rowTo     int32
		column             int32
	}
	lowerRow struct{ at, row, target int32 }
)
