package dcc

import (
	"math/bits"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Receiver decodes the edges of a recording in blocks: the fast road. It follows the same rules as Listener, which takes
// one edge at a time.
//
// Halves are classified without a branch into two masks, 64 at a time; neighbouring halves are paired, and bits cut out of the
// masks, all at once; only bytes and packets are taken one by one. Data bits, which no processor can foretell, decide no branch.
type Receiver struct {
	Counts

	rules     rules
	one, zero Window       // in track time
	before    [2]unit.Time // the two edges before the block; before[1] is not there until running
	// carried is 1 where the half between them waits for its partner, with its class in ones.
	carried uint
	ones    uint64
	running bool

	framer
}

// Counts are the totals of a receiver since it was made.
type Counts struct {
	Halves  int64 // intervals between edges
	Invalid int64 // those outside both windows
	Starts  int64 // packet start bits
}

// NewReceiver makes a receiver, or says what is wrong with its settings.
func NewReceiver(s Settings) (*Receiver, error) {
	rules, err := s.rules()
	if err != nil {
		return nil, err
	}
	r := &Receiver{rules: rules, one: rules.onTrack(rules.One), zero: rules.onTrack(rules.Zero)}
	r.have = hunting
	return r, nil
}

// Changes decodes a block of a recording and hands on every reception; edges may be spread over blocks in any way. Where the
// signal is neither positive nor negative the receiver loses it.
func (r *Receiver) Changes(c *wave.Changes, each func(*Reception)) {
	from := 0
	for i, to := range c.To {
		if to != wave.Positive && to != wave.Negative {
			r.Edges(c.At[from:i], each)
			r.Break(c.At[i], each)
			from = i + 1
		}
	}
	r.Edges(c.At[from:], each)
}

// Break tells the receiver that the signal broke off at t: it gives up what it was receiving and forgets the ones counted. The
// next edge begins a half-bit and ends none.
func (r *Receiver) Break(t unit.Time, each func(*Reception)) {
	r.cut(t, EndLost, each)
	r.carried, r.running = 0, false
}

// Edges decodes a block of edge times of a signal that changes its polarity at each of them.
func (r *Receiver) Edges(at []unit.Time, each func(*Reception)) {
	if !r.running && len(at) > 0 {
		r.before[1], r.running = at[0], true
		at = at[1:]
	}
	r.Halves += int64(len(at))
	for len(at) > 0 {
		n := min(len(at), int(wordBits-r.carried))
		r.block(at[:n], each)
		at = at[n:]
	}
}

const (
	wordBits = 64
	firsts   = 0xAAAA_AAAA_AAAA_AAAA // the first half of each pair
)

// block decodes up to 64 halves, a carried one included. Masks hold the first half in their highest bit.
func (r *Receiver) block(at []unit.Time, each func(*Reception)) {
	ones, zeros := classify(at, r.before[1], r.one, r.zero, r.ones&uint64(r.carried), ^r.ones&uint64(r.carried))
	n := uint(len(at)) + r.carried
	ones <<= wordBits - n
	bad := ^(ones | zeros<<(wordBits-n))

	e := edges{at, r.before, int(r.carried)}
	pos := uint(0) // halves done
	for pos+1 < n {
		x, y := ones<<pos, bad<<pos
		unlike := (x ^ x<<1 | y | y<<1) & firsts
		k := min(uint(bits.LeadingZeros64(unlike))/2, (n-pos)/2)
		if k > 0 {
			r.bits(everySecond(x), k, pos, &e, &r.rules, &r.Counts, each)
			pos += 2 * k
			continue
		}
		switch { // two halves that make no bit
		case int64(y) < 0: // the first is bad
			r.bad(e.at(int(pos)), each)
			pos++
		case int64(y<<1) < 0: // the second is, and clears the first
			r.bad(e.at(int(pos)+1), each)
			pos += 2
		default: // the second replaces the first
			pos++
		}
	}
	r.carried = 0
	if pos < n {
		if int64(bad<<pos) < 0 {
			r.bad(e.at(int(pos)), each)
		} else {
			r.carried, r.ones = 1, ones<<pos>>(wordBits-1)
		}
	}
	r.before = [2]unit.Time{e.at(int(n) - 1), e.at(int(n))}
}

// classify shifts one bit into either mask for every half: whether it is a one, whether it is a zero. It stands alone, never
// inlined, so that its loop keeps everything in registers.
//
//go:noinline
func classify(at []unit.Time, last unit.Time, one, zero Window, ones, zeros uint64) (uint64, uint64) {
	oneMin, oneSpan := uint64(one.Min), uint64(one.Max-one.Min)+1
	zeroMin, zeroSpan := uint64(zero.Min), uint64(zero.Max-zero.Min)+1
	for _, t := range at {
		d := uint64(t - last)
		last = t
		_, in := bits.Sub64(d-oneMin, oneSpan, 0) // borrows where the length lies in the window
		ones, _ = bits.Add64(ones, ones, in)
		_, in = bits.Sub64(d-zeroMin, zeroSpan, 0)
		zeros, _ = bits.Add64(zeros, zeros, in)
	}
	return ones, zeros
}

// bad is a half outside both windows.
func (r *Receiver) bad(began unit.Time, each func(*Reception)) {
	r.Invalid++
	r.cut(began, EndBadHalf, each)
}

// edges finds the times of a block: at(i) is where half i begins.
type edges struct {
	block   []unit.Time
	before  [2]unit.Time
	carried int
}

func (e *edges) at(i int) unit.Time {
	if i -= e.carried + 1; i >= 0 {
		return e.block[i]
	}
	return e.before[2+i]
}

// everySecond gathers bits 63, 61, 59, … into the upper half of a word.
func everySecond(x uint64) uint64 {
	x &= firsts
	x = (x | x<<1) & 0xCCCC_CCCC_CCCC_CCCC
	x = (x | x<<2) & 0xF0F0_F0F0_F0F0_F0F0
	x = (x | x<<4) & 0xFF00_FF00_FF00_FF00
	x = (x | x<<8) & 0xFFFF_0000_FFFF_0000
	return x | x<<16
}

// A framer makes packets of bits.
type framer struct {
	run, since int  // ones in a row; those from the last end bit on
	valid      bool // the end bit of a valid packet stands in front of since

	have      int  // bits of the present byte, its separator the ninth; hunting outside a packet
	acc       uint // those bits
	length    int  // whole bytes
	limit     int  // the most there may be
	store     [AdvancedMax]byte
	reception Reception
}

const hunting = -1

// bits takes the k highest bits of b, the first of them made of half pos and the next.
func (f *framer) bits(b uint64, k, pos uint, e *edges, rules *rules, counts *Counts, each func(*Reception)) {
	for left := k; left > 0; {
		if f.have == hunting {
			ones := min(uint(bits.LeadingZeros64(^b)), left)
			f.run += int(ones)
			f.since += int(ones)
			left -= ones
			if left == 0 {
				return
			}
			b <<= ones + 1
			left--
			if f.run >= rules.MinOnes || f.valid && f.since >= rules.MinOnesAfter {
				counts.Starts++
				f.reception.Start = e.at(int(pos + 2*(k-left-1)))
				f.reception.Preamble = f.since
				f.have, f.acc, f.length, f.limit = 0, 0, 0, PacketMax
			}
			f.run, f.since, f.valid = 0, 0, false
			continue
		}
		take := min(9-uint(f.have), left)
		f.acc = f.acc<<take | uint(b>>(wordBits-take))
		b <<= take
		left -= take
		f.have += int(take)
		if f.have < 9 {
			return
		}
		f.store[f.length] = byte(f.acc >> 1)
		f.length++
		f.have = 0
		if f.acc&1 == 0 { // a further byte follows
			if f.length == 1 {
				f.limit = rules.limit(f.store[0])
			}
			if f.length == f.limit {
				f.end(e.at(int(pos+2*(k-left))), EndMany, each)
			}
			continue
		}
		f.run = bits.TrailingZeros(^(f.acc & 0x1FF))
		f.since = 1
		how := ending(f.store[:f.length])
		f.valid = how == EndValid
		f.end(e.at(int(pos+2*(k-left))), how, each)
	}
}

// end hands on what was received.
func (f *framer) end(t unit.Time, how Ending, each func(*Reception)) {
	f.have = hunting
	f.reception.Packet, f.reception.End, f.reception.Ended = f.store[:f.length], t, how
	each(&f.reception)
}

// cut ends any packet and forgets the ones counted.
func (f *framer) cut(t unit.Time, how Ending, each func(*Reception)) {
	if f.have != hunting {
		f.end(t, how, each)
	}
	f.run, f.since, f.valid = 0, 0, false
}
