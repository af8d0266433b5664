// Package protocol holds the rules of a hold: what an event is, how often a
// diver is checked, which rungs are reached when nobody answers, and what a
// hold looked like afterwards.
//
// Everything here is a pure function of events and a time given by the caller.
// The package reads no clock and touches no network, disk or goroutine, so the
// same events always give the same state on every device. All times are whole
// milliseconds. The files under web/rules/ are its twins in JavaScript, and the
// vectors under testdata/vectors/ hold both to the same answers.
//
// What a page alone asks for (guards, expectations, trends, series, profiles, the
// judgement of readings) is reached by no Go program: it stands here as the second
// witness that the tests hold the JavaScript rules against.
package protocol
