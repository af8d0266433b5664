package main

import (
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
	"strconv"
	"strings"
)

// fine is how many samples a pixel has each way.
const fine = 4

// drawing is the part of SVG that the icon is drawn in: one ground, and paths
// of straight lines that are filled or stroked.
type drawing struct {
	ViewBox string `xml:"viewBox,attr"`
	Ground  struct {
		Fill string `xml:"fill,attr"`
	} `xml:"rect"`
	Paths []struct {
		D      string  `xml:"d,attr"`
		Fill   string  `xml:"fill,attr"`
		Stroke string  `xml:"stroke,attr"`
		Width  float64 `xml:"stroke-width,attr"`
	} `xml:"path"`
}

type point struct{ x, y float64 }

// area is what one colour covers, in units of the drawing.
type area struct {
	covers func(point) bool
	colour color.NRGBA
}

// draw gives the drawing as a square picture of size px.
func draw(svg []byte, size int) (*image.Paletted, error) {
	var d drawing
	if err := xml.Unmarshal(svg, &d); err != nil {
		return nil, fmt.Errorf("the drawing is no SVG: %w", err)
	}
	box := strings.Fields(d.ViewBox)
	if len(box) != 4 || box[2] != box[3] || box[0] != "0" || box[1] != "0" {
		return nil, fmt.Errorf("the drawing is no square from 0 0: viewBox %q", d.ViewBox)
	}
	side, err := strconv.ParseFloat(box[2], 64)
	if err != nil {
		return nil, err
	}
	areas, err := d.areas()
	if err != nil {
		return nil, err
	}
	ground, err := colourOf(d.Ground.Fill)
	if err != nil {
		return nil, err
	}
	whole := image.NewNRGBA(image.Rect(0, 0, size, size))
	step := side / float64(size*fine)
	for y := range size {
		for x := range size {
			var r, g, b int
			for n := range fine * fine {
				at := point{(float64(x*fine+n%fine) + 0.5) * step, (float64(y*fine+n/fine) + 0.5) * step}
				c := ground
				for _, a := range slices.Backward(areas) {
					if a.covers(at) {
						c = a.colour
						break
					}
				}
				r, g, b = r+int(c.R), g+int(c.G), b+int(c.B)
			}
			const all = fine * fine
			whole.SetNRGBA(x, y, color.NRGBA{uint8(r / all), uint8(g / all), uint8(b / all), 255})
		}
	}
	return few(whole)
}

// few keeps the picture small: its colours are few enough for a palette.
func few(whole *image.NRGBA) (*image.Paletted, error) {
	index := map[color.NRGBA]uint8{}
	out := image.NewPaletted(whole.Rect, nil)
	for y := range whole.Rect.Dy() {
		for x := range whole.Rect.Dx() {
			c := whole.NRGBAAt(x, y)
			i, known := index[c]
			if !known {
				if len(index) == 256 {
					return nil, fmt.Errorf("the drawing has more colours than a small picture can hold")
				}
				i = uint8(len(index))
				index[c] = i
				out.Palette = append(out.Palette, c)
			}
			out.SetColorIndex(x, y, i)
		}
	}
	return out, nil
}

func (d *drawing) areas() ([]area, error) {
	var all []area
	for _, p := range d.Paths {
		lines, err := linesOf(p.D)
		if err != nil {
			return nil, err
		}
		paint, covers := p.Fill, inside(lines)
		if p.Stroke != "" {
			paint, covers = p.Stroke, near(lines, p.Width/2)
		}
		c, err := colourOf(paint)
		if err != nil {
			return nil, err
		}
		all = append(all, area{covers, c})
	}
	return all, nil
}

// linesOf reads a path of M, L, H, V and Z with absolute numbers.
func linesOf(d string) ([][]point, error) {
	var lines [][]point
	var at point
	for rest := d; rest != ""; {
		command := rest[0]
		end := strings.IndexAny(rest[1:], "MLHVZ")
		if end < 0 {
			end = len(rest) - 1
		}
		numbers, err := numbersOf(rest[1 : 1+end])
		if err != nil {
			return nil, fmt.Errorf("path %q: %w", d, err)
		}
		rest = rest[1+end:]
		if command != 'M' && len(lines) == 0 {
			return nil, fmt.Errorf("path %q does not begin with M", d)
		}
		switch {
		case command == 'M' && len(numbers) == 2:
			at = point{numbers[0], numbers[1]}
			lines = append(lines, []point{at})
			continue
		case command == 'L' && len(numbers) == 2:
			at = point{numbers[0], numbers[1]}
		case command == 'H' && len(numbers) == 1:
			at.x = numbers[0]
		case command == 'V' && len(numbers) == 1:
			at.y = numbers[0]
		case command == 'Z' && len(numbers) == 0:
			at = lines[len(lines)-1][0]
		default:
			return nil, fmt.Errorf("path %q: %c with %d numbers is not understood", d, command, len(numbers))
		}
		lines[len(lines)-1] = append(lines[len(lines)-1], at)
	}
	return lines, nil
}

func numbersOf(text string) ([]float64, error) {
	var out []float64
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ',' }) {
		n, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, nil
}

// inside tells what lies within closed lines.
func inside(lines [][]point) func(point) bool {
	least, most := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, p := range slices.Concat(lines...) {
		least, most = point{min(least.x, p.x), min(least.y, p.y)}, point{max(most.x, p.x), max(most.y, p.y)}
	}
	return func(p point) bool {
		if p.x < least.x || p.x > most.x || p.y < least.y || p.y > most.y {
			return false
		}
		in := false
		for _, line := range lines {
			for i, a := range line {
				b := line[(i+1)%len(line)]
				if (a.y > p.y) != (b.y > p.y) && p.x < a.x+(p.y-a.y)/(b.y-a.y)*(b.x-a.x) {
					in = !in
				}
			}
		}
		return in
	}
}

// near tells what a pen of twice that width covers: flat at the ends of a
// line, and pointed where two lines meet.
func near(lines [][]point, half float64) func(point) bool {
	var pieces []func(point) bool
	add := func(piece []point) { pieces = append(pieces, inside([][]point{piece})) }
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			add(bar(line[i-1], line[i], half))
			if i+1 < len(line) {
				add(corner(line[i-1], line[i], line[i+1], half))
			}
		}
	}
	return func(p point) bool {
		return slices.ContainsFunc(pieces, func(covers func(point) bool) bool { return covers(p) })
	}
}

// side is the vector from a line to its left edge.
func side(a, b point, half float64) point {
	long := math.Hypot(b.x-a.x, b.y-a.y)
	return point{-(b.y - a.y) / long * half, (b.x - a.x) / long * half}
}

func bar(a, b point, half float64) []point {
	s := side(a, b, half)
	return []point{{a.x + s.x, a.y + s.y}, {b.x + s.x, b.y + s.y}, {b.x - s.x, b.y - s.y}, {a.x - s.x, a.y - s.y}}
}

// corner fills the gap outside a bend, up to where the outer edges meet.
func corner(a, b, c point, half float64) []point {
	s, t := side(a, b, half), side(b, c, half)
	if s.x*t.y-s.y*t.x > 0 {
		s, t = point{-s.x, -s.y}, point{-t.x, -t.y}
	}
	scale := 2 * half * half / ((s.x+t.x)*(s.x+t.x) + (s.y+t.y)*(s.y+t.y))
	tip := point{b.x + (s.x+t.x)*scale, b.y + (s.y+t.y)*scale}
	return []point{b, {b.x + s.x, b.y + s.y}, tip, {b.x + t.x, b.y + t.y}}
}

func colourOf(text string) (color.NRGBA, error) {
	hex := strings.TrimPrefix(text, "#")
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil || len(hex) != 6 {
		return color.NRGBA{}, fmt.Errorf("%q is no colour of the form #rrggbb", text)
	}
	return color.NRGBA{uint8(n >> 16), uint8(n >> 8), uint8(n), 255}, nil
}
