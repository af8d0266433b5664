package simulation

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/dop251/goja"
	"github.com/evanw/esbuild/pkg/api"

	"buddyclock/protocol"
)

// page is the packed page that all phones run.
type page struct{ program *goja.Program }

// packPage packs pages.js with the modules of the real page, with what a defect
// changes in them. goja knows the language of some years ago.
func packPage(d defect) (*page, error) {
	changed := 0
	result := api.Build(api.BuildOptions{
		EntryPoints: []string{"pages.js"},
		Bundle:      true,
		Format:      api.FormatIIFE,
		Target:      api.ES2021,
		LogLevel:    api.LogLevelSilent,
		// What the page's own code wants of a browser, and goja has not.
		Banner: map[string]string{"js": `class TextEncoder { encode(text) { return new Uint8Array(utf8(text)); } }
function btoa(text) { return base64(Uint8Array.from([...text].map((c) => c.charCodeAt(0))).buffer); }`},
		Plugins: []api.Plugin{{Name: "defect", Setup: func(build api.PluginBuild) {
			build.OnLoad(api.OnLoadOptions{Filter: `\.js$`}, func(a api.OnLoadArgs) (api.OnLoadResult, error) {
				text, err := os.ReadFile(a.Path)
				contents := string(text)
				if d.file != "" && strings.HasSuffix(filepath.ToSlash(a.Path), d.file) {
					for _, e := range d.edits {
						changed += strings.Count(contents, e.old)
						contents = strings.ReplaceAll(contents, e.old, e.new)
					}
				}
				return api.OnLoadResult{Contents: &contents, Loader: api.LoaderJS}, err
			})
		}}},
	})
	if len(result.Errors) > 0 {
		return nil, fmt.Errorf("the page cannot be packed: %v", result.Errors[0])
	}
	if changed < len(d.edits) {
		return nil, fmt.Errorf("%s does not have what the defect %q changes in it", d.file, d.name)
	}
	program, err := goja.Compile("page.js", string(result.OutputFiles[0].Contents), true)
	return &page{program}, err
}

// load starts the page with what the disk has.
func (p *phone) load() {
	p.vm = goja.New()
	p.vm.SetRandSource(p.Float64)
	_ = p.vm.Set("utf8", func(text string) goja.ArrayBuffer { return p.vm.NewArrayBuffer([]byte(text)) })
	_ = p.vm.Set("base64", func(bytes goja.ArrayBuffer) string { return base64.StdEncoding.EncodeToString(bytes.Bytes()) })
	if _, err := p.vm.RunProgram(p.page.program); err != nil {
		p.w.fail("the page works", "%s: %v", p.name, err)
	}
	start, _ := goja.AssertFunction(p.vm.Get("startPage"))
	object := p.answer(start(goja.Undefined(), p.env(), p.vm.ToValue(p.loaded()))).ToObject(p.vm)
	p.calls = map[string]goja.Callable{}
	for _, name := range object.Keys() {
		p.calls[name], _ = goja.AssertFunction(object.Get(name))
	}
}

// loaded is what the page finds on the phone.
func (p *phone) loaded() string {
	kept := p.disk.read()
	pair := p.w.host.pair
	if kept.meta["identity"] == nil {
		of := pair.ID
		if p.isBoard() {
			of = ""
		}
		kept.meta["identity"] = json.RawMessage(spell(map[string]any{
			"device": p.device, "pair": of, "number": pair.Number, "session": pair.Session, "role": p.role,
			"name": p.name, "token": p.token(), "secret": "", "alone": false,
		}))
	}
	kept.meta["watches"] = json.RawMessage(spell(map[string]any{"pair": pair.ID, "number": pair.Number}))
	return spell(map[string]any{"rows": kept.list(), "meta": kept.meta, "local": kept.local})
}

// env is the page's surroundings.
func (p *phone) env() *goja.Object {
	env := p.vm.NewObject()
	set := func(name string, f func(arg func(int) goja.Value) any) {
		_ = env.Set(name, func(c goja.FunctionCall) goja.Value { return p.vm.ToValue(f(c.Argument)) })
	}
	type args = func(int) goja.Value
	set("now", func(args) any { return p.nowMs() })
	set("wall", func(args) any { return p.wallMs() })
	set("random", func(args) any { return p.Float64() })
	set("visible", func(args) any { return p.visible })
	set("sound", func(args) any {
		if p.mute {
			return "fault"
		}
		return "proven"
	})
	set("setTimer", func(a args) any {
		do, _ := goja.AssertFunction(a(0))
		p.timerN++
		n := p.timerN
		wait := int64(a(1).ToFloat() * 1000 / (1 + float64(p.ppm)/1e6))
		p.timers[n] = p.here(wait, "", func() {
			delete(p.timers, n)
			p.answer(do(goja.Undefined()))
		})
		return n
	})
	set("clearTimer", func(a args) any {
		n := a(0).ToInteger()
		if t := p.timers[n]; t != nil {
			t.off = true
			delete(p.timers, n)
		}
		return nil
	})
	set("dial", func(args) any { return p.w.net.dial(p).id })
	set("send", func(a args) any { p.line(a(0)).toHost(a(1).String()); return nil })
	set("hangUp", func(a args) any {
		p.w.watch.disturbed()
		p.line(a(0)).hangUp()
		return nil
	})
	set("post", func(a args) any {
		do, _ := goja.AssertFunction(a(1))
		life := p.life
		p.w.net.post(p, a(0).String(), func(status int, text string) {
			if p.life == life && p.on {
				p.here(1, "", func() { p.answer(do(goja.Undefined(), p.vm.ToValue(status), p.vm.ToValue(text))) })
			}
		})
		return nil
	})
	set("keep", func(a args) any { p.disk.keep(a(0).String(), a(1).String(), a(2).ToBoolean()); return nil })
	set("write", func(a args) any {
		do, _ := goja.AssertFunction(a(2))
		p.disk.write(a(0).String(), a(1).ToBoolean(), func() { p.answer(do(goja.Undefined())) })
		return nil
	})
	set("writeMeta", func(a args) any {
		do, _ := goja.AssertFunction(a(2))
		p.disk.writeMeta(a(0).String(), a(1).String(), func() { p.answer(do(goja.Undefined())) })
		return nil
	})
	set("added", func(a args) any { p.added(a(0).String()); return nil })
	set("recorded", func(a args) any { p.w.watch.recorded(p, a(0).String()); return nil })
	set("refused", func(a args) any { p.w.watch.refused(p, a(0).String(), a(1).String()); return nil })
	set("declined", func(a args) any { p.w.note("%s does not record %s: %s", p.name, a(0), a(1)); return nil })
	set("failed", func(a args) any { p.w.note("%s hears an error: %s", p.name, a(0)); return nil })
	set("broken", func(a args) any { p.w.fail("the page works", "%s: %s", p.name, a(0)); return nil })
	set("welcomed", func(args) any { p.w.watch.disturbed(); return nil })
	set("lay", func(a args) any { p.lay(a(0).String(), a(1).String()); return nil })
	set("shown", func(a args) any {
		p.viewed = a(5).String()
		p.w.watch.shown(p, a(0).ToInteger(), a(1).ToInteger(), a(2).String(), a(3).ToBoolean(), a(4).String())
		return nil
	})
	return env
}

func (p *phone) line(id goja.Value) *line {
	n := int(id.ToInteger())
	for _, l := range p.lines {
		if l.id == n {
			return l
		}
	}
	panic("a socket that was never opened")
}

// added mirrors the page's book with the Go rules.
func (p *phone) added(text string) {
	e, err := protocol.Decode([]byte(text))
	if err != nil {
		p.w.fail("the same events are read alike", "%s has %s: %v", p.name, text, err)
	}
	h := p.holds[e.Hold]
	if h == nil {
		h = protocol.NewHold(e.Hold)
		p.holds[e.Hold] = h
	}
	if added, _ := h.Add(e); !added {
		p.w.fail("none doubled", "%s shows %s twice", p.name, e.ID)
	}
	p.count++
	p.w.watch.knows(p, e)
}

// look reads what the page shows.
func (p *phone) look() *view {
	if p.viewed != "" {
		v := view{}
		if err := json.Unmarshal([]byte(p.viewed), &v); err != nil {
			panic(err)
		}
		p.view, p.viewed = v, ""
	}
	return &p.view
}
