//go:build !race

package protocol_test

const raced = false
