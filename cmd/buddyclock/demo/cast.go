package demo

import "buddyclock/protocol"

// story is what happens to a pair besides an ordinary hold.
type story int

const (
	ordinary story = iota
	// noAnswer: a diver who planned too far stops answering. The buddy says so,
	// brings them up, and they have fainted.
	noAnswer
	// lostLink: the buddy's phone is off the network for a part of a hold.
	lostLink
	// forgets: the buddy looks away until the alarm.
	forgets
)

// part is what one pair is in the outing.
type part struct {
	Diver, Buddy string
	Setting      string
	Signal       string
	Cadence      string
	Story        story
	Touches      bool // the diver's own phone answers taps (dry only)
	PlannedS     int  // the first hold of the outing, at the pace of life
	LongestS     int  // longest clean hold before any that is on record
	FirstS       int  // from the beginning of the outing to the first hold, in real time
	Body         Body
}

// cast are the pairs of the outing. All of them are invented.
var cast = []part{
	{
		Diver: "Ilva Morrek", Buddy: "Tobin Sael", Setting: protocol.SettingDry, Signal: "one finger", Cadence: protocol.CadenceStandard,
		Touches: true, PlannedS: 210, LongestS: 200, FirstS: 60,
		Body: Body{WeightKg: 64, LungL: 6.2, UptakeMl: 3.2, OnsetS: 118, RestHR: 70, DiveHR: 48, AnswerMs: 800, LagS: 18, FailsTorr: 20},
	},
	{
		Diver: "Dace Orvell", Buddy: "Renn Hathik", Setting: protocol.SettingPool, Signal: "one finger", Cadence: protocol.CadenceStandard,
		Story: noAnswer, PlannedS: 210, LongestS: 165, FirstS: 25,
		Body: Body{WeightKg: 61, LungL: 4.3, UptakeMl: 5.8, OnsetS: 78, RestHR: 82, DiveHR: 61, AnswerMs: 950, LagS: 24, FailsTorr: 24},
	},
	{
		Diver: "Mirel Toskan", Buddy: "Juno Bekkar", Setting: protocol.SettingPool, Signal: "fist, then open", Cadence: protocol.CadenceStandard,
		Story: lostLink, PlannedS: 180, LongestS: 190, FirstS: 40,
		Body: Body{WeightKg: 78, LungL: 6.9, UptakeMl: 3.3, OnsetS: 102, RestHR: 68, DiveHR: 50, AnswerMs: 850, LagS: 20, FailsTorr: 20},
	},
	{
		Diver: "Sefa Lindrow", Buddy: "Arlo Venn", Setting: protocol.SettingDry, Signal: "squeeze back", Cadence: protocol.CadenceStandard,
		Story: forgets, PlannedS: 180, LongestS: 185, FirstS: 12,
		Body: Body{WeightKg: 70, LungL: 6.0, UptakeMl: 3.3, OnsetS: 96, RestHR: 74, DiveHR: 52, AnswerMs: 900, LagS: 22, FailsTorr: 20},
	},
	{
		Diver: "Kaya Drommen", Buddy: "Pell Osta", Setting: protocol.SettingDry, Signal: "thumb up", Cadence: protocol.CadenceStandard,
		PlannedS: 270, LongestS: 260, FirstS: 90,
		Body: Body{WeightKg: 74, LungL: 7.6, UptakeMl: 3.0, OnsetS: 148, RestHR: 64, DiveHR: 42, AnswerMs: 750, LagS: 16, FailsTorr: 20},
	},
	{
		Diver: "Nori Vasik", Buddy: "Emeri Tolle", Setting: protocol.SettingDry, Signal: "one finger", Cadence: protocol.CadenceClose,
		PlannedS: 150, LongestS: 150, FirstS: 120,
		Body: Body{WeightKg: 58, LungL: 5.0, UptakeMl: 3.4, OnsetS: 92, RestHR: 80, DiveHR: 60, AnswerMs: 1000, LagS: 27, FailsTorr: 20},
	},
}

// instructorName is the one who watches the board.
const instructorName = "Oda Fenwal"
