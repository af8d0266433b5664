package simulation

import "encoding/json"

// phoneDisk is a phone's storage: a database and localStorage, each a log of
// changes. A page that ends leaves what was written, a phone that dies only what
// was synced by then.
type phoneDisk struct {
	p        *phone
	slow     bool
	rows     changes
	local    changes
	busyTill int64
}

type changes struct {
	done   []change
	synced int
}

// change is one key's new value; none where it was taken out.
type change struct {
	key, value string
	meta, gone bool
}

// kept is what a page finds.
type kept struct {
	order []string
	rows  map[string]json.RawMessage
	meta  map[string]json.RawMessage
	local map[string]string
}

func newPhoneDisk(p *phone) *phoneDisk {
	d := &phoneDisk{p: p}
	d.flush()
	return d
}

// flush syncs now and then what nobody waits for.
func (d *phoneDisk) flush() {
	d.p.after(d.p.between(second, 9*second), "", func() {
		if d.p.on {
			d.sync()
			d.local.synced = len(d.local.done)
		}
		d.flush()
	})
}

// sync brings the database to the disk itself.
func (d *phoneDisk) sync() {
	for _, c := range d.rows.done[d.rows.synced:] {
		if !c.meta {
			d.p.w.watch.kept(d.p, c.key)
		}
	}
	d.rows.synced = len(d.rows.done)
}

// write puts rows into the database; done is called once they are written, or
// synced where strict.
func (d *phoneDisk) write(rows string, strict bool, done func()) {
	var list []json.RawMessage
	_ = json.Unmarshal([]byte(rows), &list)
	var all []change
	for _, raw := range list {
		var row struct {
			ID string `json:"id"`
		}
		_ = json.Unmarshal(raw, &row)
		all = append(all, change{key: row.ID, value: string(raw)})
	}
	d.transact(all, strict, done)
}

func (d *phoneDisk) writeMeta(key, value string, done func()) {
	d.transact([]change{{key: key, value: value, meta: true}}, true, done)
}

func (d *phoneDisk) transact(all []change, strict bool, done func()) {
	p := d.p
	took := p.lognormal(2*ms, 0.6)
	if strict {
		took = p.lognormal(12*ms, 0.6)
	}
	if d.slow {
		took *= 60
	}
	// One transaction after another.
	d.busyTill = max(d.busyTill, p.w.now) + took
	life := p.life
	p.after(d.busyTill-p.w.now, "", func() {
		if p.life != life || !p.on {
			return
		}
		d.rows.done = append(d.rows.done, all...)
		if strict {
			d.sync()
		}
		p.here(1, "", done)
	})
}

// keep changes localStorage.
func (d *phoneDisk) keep(key, value string, gone bool) {
	d.local.done = append(d.local.done, change{key: key, value: value, gone: gone})
}

// die takes the power away.
func (d *phoneDisk) die() {
	d.rows.done = d.rows.done[:d.rows.synced]
	d.local.done = d.local.done[:d.local.synced]
	d.busyTill = 0
}

// read gives what is there for a page that begins.
func (d *phoneDisk) read() kept {
	k := kept{rows: map[string]json.RawMessage{}, meta: map[string]json.RawMessage{}, local: map[string]string{}}
	for _, c := range d.rows.done {
		if c.meta {
			k.meta[c.key] = json.RawMessage(c.value)
			continue
		}
		if _, there := k.rows[c.key]; !there {
			k.order = append(k.order, c.key)
		}
		k.rows[c.key] = json.RawMessage(c.value)
	}
	for _, c := range d.local.done {
		if c.gone {
			delete(k.local, c.key)
		} else {
			k.local[c.key] = c.value
		}
	}
	d.busyTill = 0
	return k
}

func (k kept) list() []json.RawMessage {
	list := make([]json.RawMessage, 0, len(k.order))
	for _, id := range k.order {
		list = append(list, k.rows[id])
	}
	return list
}
