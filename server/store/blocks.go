package store

import "unsafe"

// blockBytes is what disks write whole, or in whole parts.
const blockBytes = 4096

// wholeBlocks rounds a size up to whole blocks.
func wholeBlocks(bytes int) int { return (bytes + blockBytes - 1) &^ (blockBytes - 1) }

// blocks makes room that begins at a block's bound in memory, which a disk demands
// that takes it from there by itself.
func blocks(bytes int) []byte {
	b := make([]byte, bytes+blockBytes)
	from := -int(uintptr(unsafe.Pointer(unsafe.SliceData(b)))) & (blockBytes - 1)
	return b[from : from+bytes : from+bytes]
}
