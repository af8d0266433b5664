// Command icondraw draws the page's icons as PNG from icons/icon.svg, for
// systems that take no SVG. Run it in the folder web, by go generate.
package main

import (
	"fmt"
	"image/png"
	"os"
	"path/filepath"
)

// sizes are the widths of the icons that are kept beside the drawing, in px.
var sizes = []int{192, 512}

func main() {
	if err := run("icons"); err != nil {
		fmt.Fprintln(os.Stderr, "icondraw:", err)
		os.Exit(1)
	}
}

func run(dir string) error {
	svg, err := os.ReadFile(filepath.Join(dir, "icon.svg"))
	if err != nil {
		return err
	}
	for _, size := range sizes {
		picture, err := draw(svg, size)
		if err != nil {
			return err
		}
		f, err := os.Create(filepath.Join(dir, name(size)))
		if err != nil {
			return err
		}
		encoder := png.Encoder{CompressionLevel: png.BestCompression}
		if err := encoder.Encode(f, picture); err != nil {
			return err
		}
		if err := f.Close(); err != nil {
			return err
		}
	}
	return nil
}

func name(size int) string { return fmt.Sprintf("icon-%d.png", size) }
