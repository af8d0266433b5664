package protocol

// SiteMark is where contractions were felt from an instant on, ms since the start.
type SiteMark struct {
	Site string `json:"site"`
	AtMs int64  `json:"at_ms"`
}

// ReadingMark is an oximeter reading of a hold.
type ReadingMark struct {
	ID              string `json:"id"`
	AtMs            int64  `json:"at_ms"`
	SinceSurfacedMs *int64 `json:"since_surfaced_ms"`
	SpO2            *int64 `json:"spo2"`
	HeartRate       *int64 `json:"hr"`
	Source          string `json:"source"`
}

// NoteMark is the newest note about or by somebody; At is shared ms.
type NoteMark struct {
	ID    string `json:"id"`
	About string `json:"about"` // diver or buddy
	By    string `json:"by"`
	Text  string `json:"text"`
	At    int64  `json:"at"`
}

// Debrief is what a debrief shows beside the summary.
type Debrief struct {
	Looks        int           `json:"looks"`
	Asked        int           `json:"asked"`
	Answered     int           `json:"answered"`
	NoAnswer     int           `json:"no_answer"`
	Missed       int64         `json:"missed"`  // prompts that went on to *again* or the alarm
	Sounded      RungCounts    `json:"sounded"` // rungs that at least one device says it sounded
	Sites        []SiteMark    `json:"sites"`   // where contractions began, and each time they moved
	Readings     []ReadingMark `json:"readings"`
	Notes        []NoteMark    `json:"notes"`
	Conditions   []string      `json:"conditions"`
	Felt         []string      `json:"felt"`
	TrainingDays *int64        `json:"training_days"`
}

// DebriefOf reads a hold as known at T (shared Unix ms) for its debrief.
func DebriefOf(h *Hold, t int64) Debrief {
	log := newHoldLog(h, t)
	notes := log.notes()
	d := Debrief{
		Missed: Summarize(h, t).RungsMissed, Sounded: log.sounded(), Sites: []SiteMark{}, Readings: []ReadingMark{}, Notes: []NoteMark{},
		Conditions: notes.conditions, Felt: notes.felt, TrainingDays: notes.trainingDays,
	}
	if notes.diver != nil {
		d.Notes = append(d.Notes, noteMark(notes.diver, RoleDiver))
	}
	if notes.buddy != nil {
		d.Notes = append(d.Notes, noteMark(notes.buddy, RoleBuddy))
	}
	if !log.started {
		return d
	}
	log.inHold(func(en entry, ms int64) {
		buddy := en.By == RoleBuddy
		switch {
		case en.Kind == KindLook && buddy:
			d.Looks++
		case en.Kind == KindAsked && buddy:
			d.Asked++
		case en.Kind == KindAnswered && (buddy || en.By == RoleDiver):
			d.Answered++
		case en.Kind == KindNoAnswer:
			d.NoAnswer++
		case en.Kind == KindContraction && (en.site == "belly" || en.site == "chest" || en.site == "throat"):
			if n := len(d.Sites); n == 0 || d.Sites[n-1].Site != en.site {
				d.Sites = append(d.Sites, SiteMark{en.site, ms})
			}
		}
	})
	for _, en := range log.entries {
		if en.Kind == KindReading && en.At >= log.startAt {
			d.Readings = append(d.Readings, log.readingMark(en))
		}
	}
	return d
}

func noteMark(en *entry, about string) NoteMark {
	fields, _ := decodeObject(en.Data)
	text, _ := stringValue(fields["text"])
	return NoteMark{ID: en.ID, About: about, By: en.By, Text: text, At: en.At}
}

func (l holdLog) readingMark(en entry) ReadingMark {
	m := ReadingMark{ID: en.ID, AtMs: en.At - l.startAt}
	if l.surfaced != never {
		since := en.At - l.surfaced
		m.SinceSurfacedMs = &since
	}
	if fields, err := decodeObject(en.Data); err == nil {
		m.SpO2, m.HeartRate = wholeWithin(fields["spo2"], MinSpO2, MaxSpO2), wholeWithin(fields["hr"], MinHeartRate, MaxHeartRate)
		m.Source, _ = stringValue(fields["source"])
	}
	return m
}

// sounded counts the rungs that at least one device says it sounded.
func (l holdLog) sounded() RungCounts {
	dues := map[string]map[int64]bool{"prompt": {}, "again": {}, "alarm": {}}
	for _, en := range l.entries {
		if en.Kind != KindSounded {
			continue
		}
		fields, err := decodeObject(en.Data)
		if err != nil {
			continue
		}
		rung, _ := stringValue(fields["rung"])
		if due, ok := wholeNumber(fields["due"]); ok && dues[rung] != nil {
			dues[rung][due] = true
		}
	}
	return RungCounts{int64(len(dues["prompt"])), int64(len(dues["again"])), int64(len(dues["alarm"]))}
}
