package circuit

import (
	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// judge notes whether an element's new value makes sense; Solve refuses as long as one does not.
func (s *Solver) judge(e Elem) bool {
	wrong := s.c.elements[e].check()
	if bad := wrong != ""; bad != s.bad[e] {
		s.bad[e] = bad
		if bad {
			s.nbad++
		} else {
			s.nbad--
		}
	}
	if wrong != "" {
		s.why = s.c.elements[e].words() + ": " + wrong
		return false
	}
	return s.at[e] >= 0
}

// Why says, in the words of the elements, why the last Solve gave no solution; "" if it did.
func (s *Solver) Why() string { return s.why }

// SetResistance changes a resistor.
func (s *Solver) SetResistance(e Elem, r unit.Ohm) {
	s.c.elements[e].Ohm = r
	if s.judge(e) {
		s.res[s.at[e]].g = conductance(r)
		s.moved = true
	}
}

// Resistance is a resistor's present value.
func (s *Solver) Resistance(e Elem) unit.Ohm { return s.c.elements[e].Ohm }

// SetVoltage changes a voltage source.
func (s *Solver) SetVoltage(e Elem, v unit.Volt) {
	s.c.elements[e].Volt = v
	s.judge(e)
	s.sourced = true
}

// SetCurrent changes a current source.
func (s *Solver) SetCurrent(e Elem, i unit.Amp) {
	s.c.elements[e].Amp = i
	if s.judge(e) {
		s.cur[s.at[e]].i = float64(i)
	}
}

// SetDiode changes a diode. Between no series resistance and some the network changes, which costs a new
// layout; otherwise nothing is allocated.
func (s *Solver) SetDiode(e Elem, d device.Diode) {
	was := s.c.elements[e].Diode.RS
	s.c.elements[e].Diode = d
	if !s.judge(e) {
		return
	}
	if (was > 0) != (d.RS > 0) {
		s.relayout()
		return
	}
	k := &s.dio[s.at[e]]
	k.stale, s.stale = true, true
	if was != d.RS {
		s.setBehind(k.rs, d.RS)
		s.moved = true
	}
}

// SetBJT changes a transistor; as with SetDiode, ohmic resistances that appear or vanish cost a new layout.
func (s *Solver) SetBJT(e Elem, q device.BJT) {
	was := s.c.elements[e].BJT
	s.c.elements[e].BJT = q
	if !s.judge(e) {
		return
	}
	if (was.RC > 0) != (q.RC > 0) || (was.RB > 0) != (q.RB > 0) || (was.RE > 0) != (q.RE > 0) {
		s.relayout()
		return
	}
	k := &s.bjt[s.at[e]]
	k.stale, s.stale = true, true
	if was.RC != q.RC || was.RB != q.RB || was.RE != q.RE {
		s.setBehind(k.rc, q.RC)
		s.setBehind(k.rb, q.RB)
		s.setBehind(k.re, q.RE)
		s.moved = true
	}
}

// SetRegulator changes a regulator.
func (s *Solver) SetRegulator(e Elem, r device.Regulator) {
	s.c.elements[e].Regulator = r
	if s.judge(e) {
		s.reg[s.at[e]].law = r
	}
}

// SetMOSFET changes a field-effect transistor; R0, a body diode or its resistance that appear or vanish cost a new
// layout, as does the other channel.
func (s *Solver) SetMOSFET(e Elem, q device.MOSFET) {
	was := s.c.elements[e].MOSFET
	s.c.elements[e].MOSFET = q
	if !s.judge(e) {
		return
	}
	if (was.R0 > 0) != (q.R0 > 0) || (was.Body.IS > 0) != (q.Body.IS > 0) || (was.Body.RS > 0) != (q.Body.RS > 0) || was.P != q.P {
		s.relayout()
		return
	}
	s.mos[s.at[e]].stale, s.stale = true, true
}

// SetFilament changes a filament lamp.
func (s *Solver) SetFilament(e Elem, f device.Filament) {
	s.c.elements[e].Filament = f
	if s.judge(e) {
		s.fil[s.at[e]].stale, s.stale = true, true
	}
}

// SetPin changes a chip pin's properties; clamps, leakage or a following of the supply that appear or vanish cost a
// new layout.
func (s *Solver) SetPin(e Elem, p device.Pin) {
	was := s.c.elements[e].Pin
	s.c.elements[e].Pin = p
	if !s.judge(e) {
		return
	}
	if (was.Clamp.IS > 0) != (p.Clamp.IS > 0) || (was.Clamp.RS > 0) != (p.Clamp.RS > 0) || (was.Leak != 0) != (p.Leak != 0) || (was.VCC > 0) != (p.VCC > 0) {
		s.relayout()
		return
	}
	s.pin[s.at[e]].stale, s.stale = true, true
}

// SetLevel changes what a pin drives.
func (s *Solver) SetLevel(e Elem, l pin.Level) {
	if s.c.elements[e].Level == l {
		return
	}
	s.c.elements[e].Level = l
	if s.at[e] >= 0 {
		s.pin[s.at[e]].stale, s.stale = true, true
	}
}

// SetStep is how large the last step of a conducting junction may be, in units of N·Vt: the error that remains
// in its current is half the square. The usual StepTolerance is meant for reference figures; samples by the
// ten thousand may be content with 1e-4 (currents to 5e-9).
func (s *Solver) SetStep(step float64) { s.near = max(step, StepTolerance) }

// SetTemperature sets the temperature of every device.
func (s *Solver) SetTemperature(t unit.Kelvin) {
	for e := range s.c.elements {
		s.SetTemperatureOf(Elem(e), t)
	}
}

// SetTemperatureOf sets the temperature of one device.
func (s *Solver) SetTemperatureOf(e Elem, t unit.Kelvin) {
	el := &s.c.elements[e]
	if el.T == t {
		return
	}
	el.T = t
	if !s.judge(e) {
		return
	}
	switch el.Kind {
	case KindDiode:
		s.dio[s.at[e]].stale = true
	case KindBJT:
		s.bjt[s.at[e]].stale = true
	case KindPin:
		s.pin[s.at[e]].stale = true
	case KindFilament:
		s.fil[s.at[e]].stale = true
	case KindMOSFET:
		s.mos[s.at[e]].stale = true
	}
	s.stale = true
}

// relayout lays the circuit out anew after a change that moved nodes.
func (s *Solver) relayout() {
	if s.nbad > 0 {
		s.pending = true // until the last bad value is mended: a layout needs sound ones
		return
	}
	s.pending = false
	if err := s.compile(); err != nil {
		panic("circuit: a compiled circuit no longer compiles: " + err.Error())
	}
}

// V is a node's potential against ground.
func (s *Solver) V(n Node) unit.Volt { return unit.Volt(s.v[n]) }

// I is the current into a terminal of an element. It is taken from the element's own law where it has one,
// so that it is good to full precision however small it is; a voltage source's follows from its neighbours.
func (s *Solver) I(e Elem, terminal int) unit.Amp {
	return unit.Amp(s.current(e, terminal))
}

func (s *Solver) current(e Elem, terminal int) float64 {
	el := &s.c.elements[e]
	if el.Removed || el.Kind == KindCapacitor {
		return 0
	}
	k := s.at[e]
	sign := 1.0
	if terminal > 0 {
		sign = -1
	}
	switch el.Kind {
	case KindResistor:
		return sign * s.through(k)
	case KindVoltage:
		return sign * s.supplied(e)
	case KindCurrent:
		return sign * s.cur[k].i
	case KindDiode:
		return sign * s.dio[k].i
	case KindFilament:
		return sign * s.fil[k].i
	case KindMOSFET:
		if terminal == gate {
			return 0
		}
		q := &s.mos[k]
		id := q.at.ID
		if q.body >= 0 {
			id -= s.dio[q.body].i
		}
		return sign * q.law.Sign * id
	case KindBJT:
		q := &s.bjt[k]
		switch terminal {
		case 0:
			return q.law.Sign * q.at.IC
		case 1:
			return q.law.Sign * q.at.IB
		}
		return -q.law.Sign * (q.at.IC + q.at.IB)
	case KindRegulator:
		r := &s.reg[k]
		switch terminal {
		case 0:
			return s.x[r.branch] + r.at.IQ
		case 1:
			return -s.x[r.branch] + s.through(r.divider)
		}
		return -r.at.IQ - s.through(r.divider)
	case KindPin:
		p := &s.pin[k]
		up, down := s.through(p.high), s.through(p.low) // from the pin to supply and to ground
		if p.clampHigh >= 0 {
			up += s.dio[p.clampHigh].i
			down -= s.dio[p.clampLow].i
		}
		if p.up {
			up += p.drive
		} else {
			down += p.drive
		}
		if p.leakage > 0 {
			up -= p.leakage
		} else {
			down -= p.leakage
		}
		switch terminal {
		case 0:
			return up + down
		case 1:
			return -up
		}
		return -down
	}
	return 0
}

// through is the current through a resistor from a to b.
func (s *Solver) through(k int32) float64 {
	r := &s.res[k]
	return r.g * (s.v[r.a] - s.v[r.b])
}

// supplied is the current into the plus terminal of a voltage source: what leaves the nodes on the far side
// of it through everything else comes through it.
func (s *Solver) supplied(e Elem) float64 {
	k := 0
	for s.tree[k].elem != e {
		k++
	}
	// Children follow their parents in the tree: mark the nodes beyond this branch.
	if len(s.beyond) != len(s.c.nodes) {
		s.beyond = make([]bool, len(s.c.nodes))
	}
	clear(s.beyond)
	s.beyond[s.tree[k].node] = true
	for _, b := range s.tree[k+1:] {
		if s.beyond[b.parent] {
			s.beyond[b.node] = true
		}
	}
	sum := 0.0
	for i := range s.c.elements {
		el := &s.c.elements[i]
		if el.Kind == KindVoltage {
			continue
		}
		for t, n := range el.Nodes {
			if s.beyond[n] {
				sum += s.current(Elem(i), t)
			}
		}
	}
	// Out of the far node into the source flows −sum.
	return -s.tree[k].sign * sum
}

// Power is what an element takes up (negative: delivers).
func (s *Solver) Power(e Elem) unit.Watt {
	p := 0.0
	for t, n := range s.c.elements[e].Nodes {
		p += s.v[n] * s.current(e, t)
	}
	return unit.Watt(p)
}

// StateSize is the number of values Save needs.
func (s *Solver) StateSize() int {
	return len(s.x) + len(s.dio) + 2*len(s.bjt) + 3*len(s.reg) + len(s.fil) + 2*len(s.mos)
}

// Save writes the state that a warm start needs into dst (StateSize values) and returns it.
func (s *Solver) Save(dst []float64) []float64 {
	k := copy(dst, s.x)
	for i := range s.dio {
		dst[k] = s.dio[i].u
		k++
	}
	for i := range s.bjt {
		dst[k], dst[k+1] = s.bjt[i].u1, s.bjt[i].u2
		k += 2
	}
	for i := range s.reg {
		dst[k], dst[k+1], dst[k+2] = s.reg[i].vin, s.reg[i].vout, s.reg[i].i
		k += 3
	}
	for i := range s.fil {
		dst[k] = s.fil[i].v
		k++
	}
	for i := range s.mos {
		dst[k], dst[k+1] = s.mos[i].u1, s.mos[i].u2
		k += 2
	}
	return dst[:k]
}

// Restore starts the next Solve from a saved state.
func (s *Solver) Restore(src []float64) {
	k := copy(s.x, src)
	for i := range s.dio {
		s.dio[i].u = src[k]
		k++
	}
	for i := range s.bjt {
		s.bjt[i].u1, s.bjt[i].u2 = src[k], src[k+1]
		k += 2
	}
	for i := range s.reg {
		s.reg[i].vin, s.reg[i].vout, s.reg[i].i = src[k], src[k+1], src[k+2]
		k += 3
	}
	for i := range s.fil {
		s.fil[i].v = src[k]
		k++
	}
	for i := range s.mos {
		s.mos[i].u1, s.mos[i].u2 = src[k], src[k+1]
		k += 2
	}
}

// Clone is an independent solver of the same circuit at the same state.
func (s *Solver) Clone() *Solver {
	t := *s
	t.c = s.c.Clone()
	t.res = append([]resistorK(nil), s.res...)
	t.cur = append([]currentK(nil), s.cur...)
	t.dio = append([]diodeK(nil), s.dio...)
	t.bjt = append([]bjtK(nil), s.bjt...)
	t.reg = append([]regulatorK(nil), s.reg...)
	t.pin = append([]pinK(nil), s.pin...)
	t.fil = append([]filamentK(nil), s.fil...)
	t.mos = append([]mosfetK(nil), s.mos...)
	for _, p := range []*[]float64{&t.v, &t.offset, &t.x, &t.b, &t.inv, &t.least, &t.anchor, &t.lu, &t.base} {
		*p = append([]float64(nil), *p...)
	}
	t.bad = append([]bool(nil), s.bad...)
	t.wide, t.beyond = nil, nil
	return &t
}

// Circuit is a copy of the circuit at its present values, for drawings and for edits that change it.
func (s *Solver) Circuit() *Circuit { return s.c.Clone() }

// Sweep solves for each value in turn, each from the solution before it. set puts the value in; each sees
// the solution while the solver stands at it.
func (s *Solver) Sweep(values []float64, set func(x float64), each func(x float64, sol Solution)) {
	for _, x := range values {
		set(x)
		each(x, s.Solve())
	}
}
