package dcc

import (
	"testing"

	"fettle/internal/unit"
)

// E-08 of the checks (NMRA S-9.1, 2020, table 1, receiver): must be one 52, 58, 64 µs; must be zero 90, 100, 10000; not required
// to be accepted 51, 65, 77, 89, 10001. Limits are inclusive, so a picosecond decides.
func TestHalfBitsOfADecoder(t *testing.T) {
	for _, c := range []struct {
		t    unit.Time
		want Half
	}{
		{51 * us, ShortHalf}, {52*us - 1, ShortHalf}, {52 * us, OneHalf}, {58 * us, OneHalf}, {64 * us, OneHalf}, {64*us + 1,
			BetweenHalf},
		{65 * us, BetweenHalf}, {77 * us, BetweenHalf}, {89 * us, BetweenHalf}, {90*us - 1, BetweenHalf}, {90 * us, ZeroHalf},
		{100 * us, ZeroHalf}, {10000 * us, ZeroHalf}, {10000*us + 1, LongHalf}, {10001 * us, LongHalf}, {0, ShortHalf}, {-58 * us,
			ShortHalf},
	} {
		if got := DecoderLimits.Half(c.t); got != c.want {
			t.Errorf("%v µs: %v, want %v", micros(c.t), got, c.want)
		}
	}
}

// S-9.1 (2020), table 1, command station: one 55 … 61 µs, zero 95 … 9900 µs.
func TestHalfBitsOfAStation(t *testing.T) {
	for _, c := range []struct {
		t    unit.Time
		want Half
	}{
		{55*us - 1, ShortHalf}, {55 * us, OneHalf}, {61 * us, OneHalf}, {61*us + 1, BetweenHalf},
		{95*us - 1, BetweenHalf}, {95 * us, ZeroHalf}, {9900 * us, ZeroHalf}, {9900*us + 1, LongHalf},
	} {
		if got := StationLimits.Half(c.t); got != c.want {
			t.Errorf("%v µs: %v, want %v", micros(c.t), got, c.want)
		}
	}
	if StationLimits.OneDifference != 3*us || StationLimits.ZeroTotal != 12*unit.Millisecond || DecoderLimits.OneDifference != 6*us {
		t.Error("differences and total are 3 µs, 12 ms and 6 µs in table 1")
	}
}

// What a decoder must accept holds what a station may send, with room for the track between them.
func TestStationLiesWithinDecoder(t *testing.T) {
	for _, w := range [][2]Window{{StationLimits.One, DecoderLimits.One}, {StationLimits.Zero, DecoderLimits.Zero}} {
		if !(w[1].Min < w[0].Min && w[0].Max < w[1].Max) {
			t.Errorf("%v not within %v", w[0], w[1])
		}
	}
}

func TestSettingsThatCannotBe(t *testing.T) {
	for _, s := range []Settings{
		{One: Window{64 * us, 52 * us}}, {One: Window{0, 64 * us}}, {One: Window{52 * us, 90 * us}}, {Zero: Window{60 * us, 100 * us}},
		{Zero: Window{90 * us, 2 * unit.Second}}, {MinOnes: 8}, {MinOnes: -1}, {MinOnesAfter: -1}, {ClockError: 0.51},
		{ClockError: unit.Absent[unit.Ratio]()},
	} {
		if _, err := NewReceiver(s); err == nil {
			t.Errorf("%+v was accepted", s)
		}
		if _, err := NewListener(s); err == nil {
			t.Errorf("%+v was accepted", s)
		}
	}
}
