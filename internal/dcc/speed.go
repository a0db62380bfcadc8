package dcc

// short is the speed byte 01DCSSSS (S-9.2 B, S-9.2.1 C). Of 28 steps C is the lowest bit of the speed, which counts from
// 0 as stop, stop, emergency stop, emergency stop, step 1 …; of 14 steps C is FL and SSSS counts stop, emergency stop, step 1 ….
func (s Speed) short() byte {
	b := byte(0x40)
	if s.Forward {
		b |= 0x20
	}
	v := s.Step
	if s.Steps == Steps14 {
		switch {
		case s.Emergency:
			v = 1
		case v > 0:
			v++
		}
		if s.FL {
			b |= 0x10
		}
		return b | v&0x0F
	}
	switch {
	case v > 0:
		v += 3
	case s.Emergency:
		v = 2
	}
	if s.Loose {
		v |= 1
	}
	return b | v>>1&0x0F | v&1<<4
}

func shortSpeed(b byte, steps Steps) Speed {
	s := Speed{Steps: steps, Forward: b&0x20 != 0}
	v := b & 0x0F
	c := b & 0x10 >> 4
	if steps == Steps14 {
		s.FL = c == 1
		switch {
		case v == 1:
			s.Emergency = true
		case v > 1:
			s.Step = v - 1
		}
		return s
	}
	v = v<<1 | c
	switch {
	case v >= 4:
		s.Step = v - 3
	default:
		s.Emergency = v >= 2
		s.Loose = v&1 != 0
	}
	return s
}

// long is the byte DSSSSSSS of 128 steps: stop, emergency stop, steps 1 to 126 (S-9.2.1 C).
func (s Speed) long() byte {
	v := s.Step
	switch {
	case v > 0:
		v++
	case s.Emergency:
		v = 1
	}
	if s.Forward {
		v |= 0x80
	}
	return v
}

func longSpeed(b byte) Speed {
	s := Speed{Steps: Steps128, Forward: b&0x80 != 0}
	switch v := b & 0x7F; {
	case v == 1:
		s.Emergency = true
	case v > 1:
		s.Step = v - 1
	}
	return s
}
