package dcc

// Evidence is how well a format or a rule is known.
type Evidence uint8

const (
	Read     Evidence = iota // in the text of the standard
	Digest                   // in a public digest of the named standard: decides no verdict by itself
	Memory                   // recalled: decides no verdict by itself
	Computed                 // from rules that were read
)

func (e Evidence) String() string {
	return [...]string{"read in the standard", "seen in a digest of the standard, not in its text", "from memory", "computed from rules that were read"}[e]
}

// Decides reports whether a value so known may decide a verdict.
func (e Evidence) Decides() bool { return e == Read || e == Computed }

// A Source is a standard with its section.
type Source struct {
	Standard string // "NMRA S-9.2.1 (2012) C"
	Evidence Evidence
}

func (s Source) String() string {
	if s.Evidence == Read {
		return s.Standard
	}
	return s.Standard + ", " + s.Evidence.String()
}

// The documents, as they are cited.
const (
	s92   = "NMRA S-9.2 (2004)"
	s921  = "NMRA S-9.2.1 (2012)"
	s923  = "NMRA S-9.2.3 (2012)"
	s9211 = "NMRA S-9.2.1.1 (draft 2021)"
	rcn12 = "RCN-212"
	rcn13 = "RCN-213"
	rcn14 = "RCN-214"
)

// Source is where the format of the instruction is defined.
func (i Instruction) Source() Source {
	switch i.Op {
	case OpIdle:
		return Source{s92 + " B", Read}
	case OpReset:
		if i.Address.Kind == All {
			return Source{s92 + " B", Read}
		}
	case OpSpeed:
		if i.Speed.Steps != Steps128 {
			return Source{s92 + " B, " + s921 + " C", Read}
		}
	case OpSpeedFunctions:
		return Source{rcn12, Digest}
	case OpFunctions:
		if i.Functions.First >= 29 {
			return Source{rcn12, Digest}
		}
	case OpCVShort:
		if i.Number != 23 && i.Number != 24 {
			return Source{rcn14, Digest}
		}
	case OpLock:
		return Source{s923 + " App. B", Read}
	case OpQuery:
		return Source{s923 + " App. A", Read}
	case OpAspect:
		if i.Value > 31 {
			return Source{rcn13, Digest}
		}
		return Source{s921 + " D", Read}
	case OpAccessory, OpAccessoryCV:
		return Source{s921 + " D", Read}
	case OpAccessoryNOP:
		return Source{rcn13, Digest}
	case OpAccessoryOldCV:
		return Source{s921 + " App. A", Read}
	case OpAdvanced:
		return Source{s9211, Digest}
	case OpDirect, OpAddressOnly, OpRegister:
		return Source{s923 + " E", Read}
	case OpBytes:
		return Source{}
	}
	return Source{s921 + " C", Read}
}

// Repeats is how often a packet is to be sent at least for its effect, and by which rule.
type Repeats struct {
	Times  int
	Rule   string // "" for one
	Source Source
}

// Repeats is the rule for the instruction where nothing refreshes it.
func (i Instruction) Repeats() Repeats {
	switch i.Op {
	case OpCV, OpAccessoryCV:
		if i.Access.Writes() {
			return Repeats{2, "twice, identical, with no other packet to that decoder between them, broadcast included", Source{s921 + " C", Read}}
		}
	case OpCVShort:
		if i.Number != 23 && i.Number != 24 {
			return Repeats{2, "twice", Source{rcn14, Digest}}
		}
	case OpFunctions:
		switch {
		case i.Functions.First >= 29:
			return Repeats{3, "three times on a change, unless refreshed", Source{rcn12, Digest}}
		case i.Functions.First >= 13:
			return Repeats{2, "twice on a change, unless refreshed", Source{s921 + " C", Read}}
		}
	case OpState, OpStateLong:
		return Repeats{3, "three times on a change", Source{rcn12, Digest}}
	}
	return Repeats{Times: 1}
}
