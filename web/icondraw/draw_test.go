package main

import (
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

const icons = "../icons"

// Ensures that the pictures beside the drawing are of this drawing.
func TestIconsAreOfTheDrawing(t *testing.T) {
	svg, err := os.ReadFile(filepath.Join(icons, "icon.svg"))
	require.NoError(t, err)
	for _, size := range sizes {
		f, err := os.Open(filepath.Join(icons, name(size)))
		require.NoError(t, err)
		kept, err := png.Decode(f)
		require.NoError(t, f.Close())
		require.NoError(t, err)
		drawn, err := draw(svg, size)
		require.NoError(t, err)
		require.Equal(t, drawn.Bounds(), kept.Bounds())
		for y := range size {
			for x := range size {
				if color.NRGBAModel.Convert(drawn.At(x, y)) != color.NRGBAModel.Convert(kept.At(x, y)) {
					t.Fatalf("%s differs at %d %d: draw it anew with go generate ./web", name(size), x, y)
				}
			}
		}
	}
}

// Ensures that strokes are as wide as they say, flat at their ends and pointed
// at their bends, and that later paths cover earlier ones.
func TestStrokesAndFills(t *testing.T) {
	picture, err := draw([]byte(`<svg viewBox="0 0 8 8"><rect fill="#fff"/>
		<path d="M0 4H4V8" fill="none" stroke="#000" stroke-width="2"/><path d="M6 0H8V2H6Z" fill="#12ab0F"/></svg>`), 8)
	require.NoError(t, err)
	rows := ""
	for y := range 8 {
		for x := range 8 {
			r, g, _, _ := picture.At(x, y).RGBA()
			switch {
			case r == 0xffff:
				rows += "."
			case r == 0 && g == 0:
				rows += "#"
			case g == 0xabab:
				rows += "g"
			default:
				rows += "?"
			}
		}
		rows += "\n"
	}
	require.Equal(t, "......gg\n......gg\n........\n#####...\n#####...\n...##...\n...##...\n...##...\n", rows)
}

// Ensures that what it cannot draw is refused, not left out.
func TestWhatIsNotUnderstoodIsRefused(t *testing.T) {
	for name, svg := range map[string]string{
		"no XML":   `<svg`,
		"a curve":  `<svg viewBox="0 0 8 8"><rect fill="#fff"/><path d="M0 0C1 1 2 2 3 3" fill="#000"/></svg>`,
		"no start": `<svg viewBox="0 0 8 8"><rect fill="#fff"/><path d="H3" fill="#000"/></svg>`,
		"a name":   `<svg viewBox="0 0 8 8"><rect fill="white"/></svg>`,
		"oblong":   `<svg viewBox="0 0 8 9"><rect fill="#fff"/></svg>`,
	} {
		_, err := draw([]byte(svg), 8)
		require.Error(t, err, name)
	}
}
