package defect

// Observations that a hypothesis tells by itself, because no static circuit shows them: what somebody notices, and what comes of
// something that is tried.
const (
	Answers    = "answers"     // on the programming track
	Pressing   = "pressing"    // a part, or bending the board, changes something
	Warming    = "warming"     // a part changes something
	PowerOff   = "power-off"   // makes it work again
	Cleaning   = "cleaning"    // the flux off changes something
	Goes       = "goes"        // it comes and goes by itself
	Forgets    = "forgets"     // its address or settings
	Flickers   = "flickers"    // a light that should be steady
	Dims       = "dims"        // one lamp when another comes on
	OtherTrack = "other-track" // other decoders work where this one stands
	Attached   = "attached"    // the programmer or its cable
	Swapped    = "swapped"     // the vehicle: another of the kind is in hand
	PlugTurned = "plug-turned" // it works with the plug the other way round
)

// An Observation is a question of yes or no.
type Observation struct {
	ID       string
	Question string
	Yes, No  string  // as one says it
	Sound    float64 // probability of yes of a decoder that nothing is wrong with, and of a cause that says nothing of it
	Minutes  float64
	Powered  bool // it takes the vehicle on the track
	// Plug: only where the vehicle has one.
	Plug bool
}

// Observations are all of them, with their probabilities and costs: common practice, no source.
var Observations = []Observation{
	{ID: Answers, Question: "does it answer on the programming track", Yes: "answers on the programming track", No: "no answer on the programming track", Sound: 0.97, Minutes: 3, Powered: true},
	{ID: Goes, Question: "does it come and go by itself", Yes: "comes and goes", No: "always the same", Sound: 0.02, Minutes: 1},
	{ID: Pressing, Question: "does pressing a part or bending the board change anything", Yes: "pressing changes it", No: "pressing changes nothing", Sound: 0.02, Minutes: 2},
	{ID: Warming, Question: "does warming it change anything", Yes: "worked after warming", No: "warming changes nothing", Sound: 0.02, Minutes: 3},
	{ID: PowerOff, Question: "does it work again after power-off", Yes: "worked after power-off", No: "power-off changes nothing", Sound: 0.02, Minutes: 1},
	{ID: Cleaning, Question: "does cleaning the flux off change anything", Yes: "worked after cleaning", No: "cleaning changes nothing", Sound: 0.02, Minutes: 8},
	{ID: Forgets, Question: "does it forget its address or settings", Yes: "forgets its settings", No: "keeps its settings", Sound: 0.02, Minutes: 4},
	{ID: Flickers, Question: "does a light flicker that should be steady", Yes: "lights flicker", No: "no flicker", Sound: 0.02, Minutes: 1},
	{ID: Dims, Question: "does one lamp get dimmer when another comes on", Yes: "one lamp dims when another comes on", No: "no lamp dims when another comes on", Sound: 0.02, Minutes: 0.5},
	{ID: OtherTrack, Question: "do other decoders work on this track", Yes: "other decoders work on this track", No: "nothing works on this track", Sound: 0.98, Minutes: 1},
	{ID: Attached, Question: "is a programmer or its cable still attached", Yes: "programmer attached", No: "no programmer attached", Sound: 0.02, Minutes: 0.2},
	{ID: Swapped, Question: "is this really the vehicle that was measured", Yes: "it is the vehicle that was measured", No: "another vehicle than was measured", Sound: 0.98, Minutes: 0.5},
	{ID: PlugTurned, Question: "does it work with the plug the other way round", Yes: "worked with the plug turned round", No: "the plug turned round is no better", Sound: 0.02, Minutes: 1, Powered: true, Plug: true},
}
