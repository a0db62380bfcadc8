// Package build reads, checks, edits and saves a build: one folder that describes a vehicle, what was measured
// on it, the decoder it shall get and the parts on hand.
//
// The build file (NAME.fettle) is HCL 2 native syntax, used as a plain notation: blocks, one attribute a line,
// literal values, no expressions. One table (Schema) describes every block and attribute: kind, unit, default,
// limits with their sources, example, and the questions that answer it. Reading, checking, guessing what was
// meant and the page docs/build-file.md all follow that table. The whole schema stands from the first day; what
// is written but answered by nothing yet is listed in Build.Unbuilt.
//
// Quantities are float64 in coherent SI, lengths integer micrometres, times integer picoseconds. A quantity that
// is not known is NaN and says so (Known); one that is merely assumed says that too (Assumed). Limits here mark
// slips of the pen (a track of 4.7 kV); whether a value is good is judged elsewhere. Nothing is computed here.
//
// Every problem of a run is reported once, at its place, without its echoes: references to a name that was
// misspelt where it was declared, or to values complained of already, are not complained of again. A mend is
// offered only after trying it on the files: its problem is gone and no new one has come.
//
// A reading's currents and voltages are what the instruments showed; track is the voltage of the supply, across
// lamp and ammeter together. reversed means that the supply was turned round. Readings of the build file come
// first, in file order, then those of readings.csv.
//
// What was really fitted is a record of its own (Fitted) beside the design; Build.AsBuilt lays it over the design, and
// Build.NoteFitted makes edits of it out of typed words.
//
// Entry points: Open and OpenFS for a folder, Load for a file; Build.Patch for edits that keep comments and
// layout, Folder.With, Without and Renamed for whole blocks, Save for a file that is whole at any moment, AppendReading for a further line of readings.csv;
// Questions and New to start a build; Schema and Page for the description of it all.
package build
