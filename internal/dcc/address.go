package dcc

import "strconv"

// A Partition is what the first byte of a packet says about whom it is for (S-9.2.1 A; S-9.2.1.1 and RCN-211 for
// 232 to 254, seen in a digest).
type Partition uint8

const (
	BroadcastPartition Partition = iota // 0: all multi-function decoders
	ShortPartition                      // 1 to 127: multi-function decoders, 7-bit address
	AccessoryPartition                  // 128 to 191: accessory decoders, 9-bit and 11-bit address
	LongPartition                       // 192 to 231: multi-function decoders, 14-bit address
	ReservedPartition                   // 232 to 252
	AddressedPartition                  // 253: advanced packets to a DCC address
	LogonPartition                      // 254: advanced packets to a unique identifier, automatic logon
	IdlePartition                       // 255
)

var partitionNames = [...]string{
	"broadcast to multi-function decoders", "multi-function decoders, short address", "accessory decoders",
	"multi-function decoders, long address", "reserved", "advanced packets to a DCC address",
	"advanced packets for automatic logon", "idle",
}

func (p Partition) String() string { return partitionNames[p] }

// PartitionOf is the partition of a first byte in operations mode.
func PartitionOf(first byte) Partition {
	switch {
	case first == 0:
		return BroadcastPartition
	case first < 128:
		return ShortPartition
	case first < 192:
		return AccessoryPartition
	case first < 232:
		return LongPartition
	case first < 253:
		return ReservedPartition
	}
	return AddressedPartition + Partition(first-253)
}

// A Kind of address.
type Kind uint8

const (
	Nobody   Kind = iota // idle, service mode, bytes that say nothing
	All                  // every multi-function decoder
	Short                // multi-function decoder, 1 to 127 (CV1)
	Long                 // multi-function decoder, 0 to 10239 (CV17 and CV18)
	Basic                // accessory decoder, 0 to 510; BasicAll is its broadcast
	Extended             // extended accessory, 0 to 2046; ExtendedAll is its broadcast
)

// Limits of the address ranges.
const (
	ShortMax    = 127
	LongMax     = 10239 // E7 FF
	BasicAll    = 511   // S-9.2.1 D prints the broadcast as 10111111 1000CDDD
	ExtendedAll = 2047  // and this one as 10111111 00000111
)

// An Address is whom an instruction is for. Short 47 and long 47 are different addresses.
type Address struct {
	Kind   Kind
	Number uint16
}

// Broadcast is every multi-function decoder.
var Broadcast = Address{Kind: All}

// Vehicle is the address of a multi-function decoder as people say it: short up to 127, long above.
func Vehicle(n uint16) Address {
	if n <= ShortMax {
		return Address{Short, n}
	}
	return Address{Long, n}
}

// Accessory reports whether it is of an accessory decoder of either sort.
func (a Address) Accessory() bool { return a.Kind == Basic || a.Kind == Extended }

// Multifunction reports whether it is of one or all multi-function decoders.
func (a Address) Multifunction() bool { return a.Kind == All || a.Kind == Short || a.Kind == Long }

// String is the plain-language form: "47", "1000", "long 47", "broadcast", "accessory 1".
func (a Address) String() string {
	n := strconv.Itoa(int(a.Number))
	switch a.Kind {
	case All:
		return "broadcast"
	case Short:
		if a.Number > ShortMax {
			return "short " + n
		}
		return n
	case Long:
		if a.Number <= ShortMax {
			return "long " + n
		}
		return n
	case Basic:
		if a.Number == BasicAll {
			return "accessory broadcast"
		}
		return "accessory " + n
	case Extended:
		if a.Number == ExtendedAll {
			return "extended accessory broadcast"
		}
		return "extended accessory " + n
	}
	return ""
}

// max is the highest number of the kind, and min the lowest.
func (k Kind) limits() (min, max uint16) {
	switch k {
	case Short:
		return 1, ShortMax
	case Long:
		return 0, LongMax
	case Basic:
		return 0, BasicAll
	case Extended:
		return 0, ExtendedAll
	}
	return 0, 0
}

// LongCVs are the values of CV17 and CV18 that stand for a long address; they are also the two address bytes of its
// packets (S-9.2.1 C, S-9.2.2).
func LongCVs(n uint16) (cv17, cv18 byte) { return 0xC0 | byte(n>>8), byte(n) }

// LongFrom is the address that CV17 and CV18 hold, if CV17 lies in its range of 192 to 231.
func LongFrom(cv17, cv18 byte) (Address, bool) {
	if cv17 < 0xC0 || cv17 > 0xE7 {
		return Address{}, false
	}
	return Address{Long, uint16(cv17&0x3F)<<8 | uint16(cv18)}, true
}

// Turnout is the basic accessory output pair that people call turnout n, from 1 (RCN-213, seen in a digest: packet
// address 4, which is decoder 1, pair 0, is number 1). The numbers 2045 to 2048 would fall on decoder 0 and are not taken.
func Turnout(n uint16) (decoder Address, pair uint8) {
	p := n + 3
	return Address{Basic, p >> 2}, uint8(p & 3)
}
