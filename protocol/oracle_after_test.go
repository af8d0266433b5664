package protocol_test

// The oracle after surfacing: AWAKE?, the OK sign, the watch.

func (w *walker) actAfterSurfacing(e oEvent) {
	x := e.At - w.base
	what, _ := e.Data["what"].(string)
	if e.Kind == "no-answer" || e.Kind == "sign" && (what == "shaking" || what == "air" || what == "limp") {
		if w.okAt == nil && !w.awakeWanted {
			w.awakeWanted, w.after = true, nil
			w.awakeAt, w.helpAt = x, min(x+5000, w.plan.okWindow)
			w.watchMs = w.plan.watch
		}
		return
	}
	if e.By != "buddy" {
		return
	}
	switch e.Kind {
	case "awake":
		if w.awakeWanted {
			w.awakeWanted, w.after = false, nil
			w.okRungsBefore(x)
		}
	case "look":
		w.lastLook = x
		if w.okAt != nil {
			w.after = nil
		}
	case "ok":
		w.lastLook = x
		w.awakeWanted, w.after = false, nil
		if w.okAt == nil {
			w.phase = "watch"
			w.okAt = &x
			w.watchUntil(max(w.watchMs, x+20_000))
		}
	case "watch-ended":
		w.phase = "over"
		w.after = nil
	}
}

// okRungsBefore has stand what of the OK sign lies before x, and notes those that AWAKE? hid.
func (w *walker) okRungsBefore(x int64) {
	for i, due := range []int64{w.plan.okWindow / 2, w.plan.okWindow * 3 / 4} {
		if due >= x {
			return
		}
		w.after = &oRung{Rung: []string{"prompt", "again"}[i], Asks: "ok", AtMs: due, Since: w.baseName}
		if due >= w.awakeAt {
			w.rungs = append(w.rungs, *w.after)
		}
	}
}

func (w *walker) afterSurfacing() {
	x := w.now - w.base
	climb := func(asks string, due, again, alarm int64) {
		has := ""
		if w.after != nil {
			has = w.after.Rung
		}
		switch {
		case x >= alarm && has != "alarm":
			w.after = w.reach("alarm", asks)
		case x >= again && x < alarm && has == "prompt":
			w.after = w.reach("again", asks)
		case x >= due && x < again && has == "":
			w.after = w.reach("prompt", asks)
		}
	}
	switch {
	case w.awakeWanted:
		if w.after == nil {
			w.after = w.reach("prompt", "awake")
		}
		if x >= w.helpAt {
			w.phase = "incident"
			w.after = w.reach("alarm", "help")
		}
	case w.okAt == nil:
		climb("ok", w.plan.okWindow/2, w.plan.okWindow*3/4, w.plan.okWindow)
	default:
		for _, due := range w.lookDues {
			if due > *w.okAt && due > w.lastLook+4000 {
				climb("look", due, due+4000, due+8000)
				return
			}
		}
	}
}

// watchUntil sets the watch's end and lists its looks, the end included.
func (w *walker) watchUntil(end int64) {
	w.lookDues = nil
	for _, d := range []int64{8000, 15_000, 22_000, 30_000, 45_000, 60_000} {
		if d < end {
			w.lookDues = append(w.lookDues, d)
		}
	}
	for d := int64(90_000); d < end; d += 30_000 {
		w.lookDues = append(w.lookDues, d)
	}
	w.lookDues = append(w.lookDues, end)
}
