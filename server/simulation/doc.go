// Package simulation has no code of its own, only a test: a whole outing in one
// process and from one seed. A host with a disk that forgets what was not synced,
// phones and an instructor's board that run the page's own rules and sync code, a
// network that loses, holds back, repeats and reorders, people who press or do
// not, and after every step the question whether all that was promised still
// holds.
package simulation
