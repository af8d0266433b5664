package demo

import "math"

// Body is what a diver's body is like. The figures of one are invented, within
// the ranges named beside the constants below.
type Body struct {
	WeightKg  float64
	LungL     float64 // lungs after the final breath, litres at body temperature
	UptakeMl  float64 // oxygen at rest, ml (STPD) a minute and kg
	OnsetS    float64 // first contraction, s of apnea
	RestHR    float64 // heart rate at rest, 1/min
	DiveHR    float64 // what it falls to in a long hold, 1/min
	AnswerMs  float64 // usual time from a tap to the answer
	LagS      int     // delay of the finger sensor, whole s
	FailsTorr float64 // arterial PO2 below which the diver answers no more
}

const (
	// startTorr is alveolar PO2 after calm breathing and one full breath (common practice: 100–120).
	startTorr = 110.0
	// torrLPerMl turns litres at body temperature and saturated, times Torr, into
	// ml STPD: 1000 × 273/310 / 760, physiology's usual 863 mmHg·l/l.
	torrLPerMl = 1000.0 / 863
	// Blood: 75 ml a kg, 150 g haemoglobin a litre, 1.34 ml oxygen a g
	// (Hüfner's figure), all common physiology.
	bloodMlPerKg = 0.075 * 150 * 1.34
	// Share of the blood that is arterial, and how much less saturated the rest
	// is at rest (common physiology: about a quarter each).
	arterialShare = 0.28
	venousGap     = 0.25

	// restPart is what is left of the oxygen uptake once the diving response is
	// full (own; that it lowers uptake is common physiology).
	restPart = 0.75
	// How fast the heart slows in apnea and comes back after it, time constants in s
	// (own, so that most of the fall of 20–27 a minute that Stewart et al. 2005
	// found is reached within the first minute).
	slowsInS, returnsInS = 25.0, 15.0
	// beforeHR is how much faster than at rest the heart beats before a hold (own).
	beforeHR = 6.0

	// After the first breath blood from the lungs reaches the body this much
	// later, and the lungs' oxygen comes back with this time constant, s (own; the
	// lowest value then lies 20–30 s after surfacing at the finger, as published).
	reachesInS, refillsInS = 6.0, 7.0
	// bluntS is the time constant with which a finger blunts a dip (own, so that
	// one of some 15 s shows about half: Normand & Mouadil 2002 read 83.1 % at the
	// ear and 93.2 % at the finger).
	bluntS = 10.0

	// Contractions a minute: at the first one, how many more each minute after it,
	// and at most (own; common practice says that they come ever faster).
	firstRate, moreRate, mostRate = 4.0, 5.0, 20.0

	// Below the first saturation answers become slower, at the second they take
	// slowest times as long (own).
	slowBelow, slowestAt, slowest = 0.9, 0.45, 3.0
)

// saturation is the share of haemoglobin that carries oxygen at a partial
// pressure in Torr: equation 1 of Severinghaus, J Appl Physiol 46 (1979) 599,
// which fits its table to within 0.0055.
func saturation(torr float64) float64 {
	if torr <= 0 {
		return 0
	}
	return 1 / (23400/(torr*torr*torr+150*torr) + 1)
}

// storedMl is all oxygen in lungs and blood, ml STPD, when arterial blood and
// lungs are at a pressure in Torr. Lungs are taken not to shrink, and muscles
// and plasma to hold none.
func (b *Body) storedMl(torr float64) float64 {
	arterial := saturation(torr)
	venous := math.Max(0, arterial-venousGap)
	return b.LungL*torr*torrLPerMl + b.WeightKg*bloodMlPerKg*(arterialShare*arterial+(1-arterialShare)*venous)
}

// torrWith is the pressure at which that much is stored.
func (b *Body) torrWith(storedMl float64) float64 {
	lo, hi := 0.0, startTorr
	for range 40 {
		if mid := (lo + hi) / 2; b.storedMl(mid) < storedMl {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// Course is a body through one hold, in steps of a second of its own time.
type Course struct {
	Body
	seconds  int
	torr     float64
	storedMl float64
	hr       float64
	breathed int // the second of the first breath, -1 in apnea
	phase    float64
	count    int       // contractions so far
	past     []float64 // arterial saturation, one a second, the newest last
	finger   float64
}

// NewCourse begins a hold with full lungs.
func NewCourse(b Body) *Course {
	s := saturation(startTorr)
	return &Course{
		Body: b, torr: startTorr, storedMl: b.storedMl(startTorr), hr: b.RestHR + beforeHR,
		breathed: -1, finger: s, past: []float64{s},
	}
}

// Second goes on by one second.
func (c *Course) Second() {
	c.seconds++
	inApnea := c.breathed < 0
	target, constant := c.DiveHR, slowsInS
	if !inApnea {
		target, constant = c.RestHR, returnsInS
	}
	c.hr += (target - c.hr) * (1 - math.Exp(-1/constant))
	if inApnea || float64(c.seconds-c.breathed) < reachesInS {
		c.use()
	} else {
		c.torr += (startTorr - c.torr) * (1 - math.Exp(-1/refillsInS))
		c.storedMl = c.Body.storedMl(c.torr)
	}
	if inApnea && float64(c.seconds) >= c.OnsetS {
		c.contract()
	}
	c.past = append(c.past, saturation(c.torr))
	seen := c.past[max(0, len(c.past)-1-c.LagS)]
	c.finger += (seen - c.finger) * (1 - math.Exp(-1/bluntS))
}

// use takes a second's oxygen from the stores.
func (c *Course) use() {
	dive := 1 - min(1, max(0, (c.hr-c.DiveHR)/(c.RestHR-c.DiveHR)))
	aMinute := c.WeightKg * c.UptakeMl * (1 - (1-restPart)*dive)
	c.storedMl = max(0, c.storedMl-aMinute/60)
	c.torr = min(c.torr, c.torrWith(c.storedMl))
}

// contract counts the contractions of a second; the first comes at once.
func (c *Course) contract() {
	rate := min(mostRate, firstRate+moreRate*(float64(c.seconds)-c.OnsetS)/60)
	if c.count == 0 {
		c.phase = 1
	} else {
		c.phase += rate / 60
	}
	if c.phase >= 1 {
		c.phase--
		c.count++
	}
}

// Breathe takes the first breath; further ones change nothing.
func (c *Course) Breathe() {
	if c.breathed < 0 {
		c.breathed = c.seconds
	}
}

// Seconds is how long ago the hold began.
func (c *Course) Seconds() int { return c.seconds }

// Saturation is that of the arterial blood, 0 to 1.
func (c *Course) Saturation() float64 { return c.past[len(c.past)-1] }

// Contractions is how many there have been.
func (c *Course) Contractions() int { return c.count }

// Responds tells whether the diver can answer. One who has fainted comes to
// once fresh blood has come back.
func (c *Course) Responds() bool { return c.torr > c.FailsTorr }

// Finger is what an oximeter at a finger shows: percent and beats a minute.
func (c *Course) Finger() (spo2, hr int) {
	return int(math.Round(100 * c.finger)), int(math.Round(c.hr))
}

// AnswerIn is the time an answer takes now, ms, without the day's chance.
func (c *Course) AnswerIn() float64 {
	short := min(1, max(0, (slowBelow-c.Saturation())/(slowBelow-slowestAt)))
	return c.AnswerMs * (1 + (slowest-1)*short)
}
