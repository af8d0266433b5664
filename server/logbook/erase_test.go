package logbook

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"buddyclock/protocol"
	"buddyclock/server/store"
)

// inFiles tells in which files of a folder a text stands.
func inFiles(t testing.TB, dir, text string) (found []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, entry := range entries {
		raw, err := os.ReadFile(filepath.Join(dir, entry.Name()))
		require.NoError(t, err)
		if bytes.Contains(raw, []byte(text)) {
			found = append(found, entry.Name())
		}
	}
	return found
}

// Ensures that what was erased is gone from every file of the data folder, byte by byte, while the program still runs, and
// that everybody else's is as it was.
func TestH21ErasedMeansTheBytesAreGone(t *testing.T) {
	dir := t.TempDir()
	st := openIn(t, dir)
	anOuting(t, st, 60)
	require.NoError(t, st.Admit(store.Device{ID: "cccccccccc", Session: "out-p1", Pair: "p1", Role: "diver", Name: "ansa quellmoor"}, []byte("hash")))
	odo, err := FindDiver(context.Background(), st, Scope{}, "odo tannhag")
	require.NoError(t, err)
	before := exported(t, st, Scope{Diver: odo})

	ansa, err := FindDiver(context.Background(), st, Scope{}, "Ansa Quellmoor")
	require.NoError(t, err)
	plan, err := PlanErase(context.Background(), st, Scope{Diver: ansa})
	require.NoError(t, err)
	require.Equal(t, 30, plan.Holds)
	require.Equal(t, 30*12+1, plan.Events)
	require.Equal(t, 30, plan.Named, "Odo's holds name her as their buddy, and stay")
	secrets := []string{"a heavy secret of Ansa", "slow on Mondays", "ansa quellmoor", `"diver":"Ansa Quellmoor"`, `"name":"Ansa Quellmoor"`}
	for _, secret := range secrets {
		require.NotEmpty(t, inFiles(t, dir, secret), "%s: the test would prove nothing", secret)
	}
	n, err := plan.Carry(context.Background(), st)
	require.NoError(t, err)
	require.EqualValues(t, plan.Events, n)
	for _, secret := range secrets {
		require.Empty(t, inFiles(t, dir, secret), secret)
	}
	require.NotEmpty(t, inFiles(t, dir, "Odo was well"))
	require.Equal(t, string(before), string(exported(t, st, Scope{Diver: odo})))
	_, err = FindDiver(context.Background(), st, Scope{}, "Ansa Quellmoor")
	require.ErrorIs(t, err, ErrNoDiver)

	require.NoError(t, st.Close())
	for _, secret := range secrets {
		require.Empty(t, inFiles(t, dir, secret), secret)
	}
	report, err := store.Inspect(context.Background(), filepath.Join(dir, store.FileName))
	require.NoError(t, err)
	require.True(t, report.Sound(), report.Findings)
	require.Empty(t, report.Gaps, "what was erased is no gap")
	require.EqualValues(t, n, report.Erased)
}

// Ensures that what was erased comes back neither from a phone nor from an export, but on a person's word.
func TestH21ErasedStaysErased(t *testing.T) {
	st := open(t)
	anOuting(t, st, 4)
	backup := exported(t, st, Scope{})
	ansa, err := FindDiver(context.Background(), st, Scope{}, "ansa0")
	require.NoError(t, err)
	plan, err := PlanErase(context.Background(), st, Scope{Diver: ansa})
	require.NoError(t, err)
	_, err = plan.Carry(context.Background(), st)
	require.NoError(t, err)

	m := &maker{t: t, device: phone}
	again := m.event(phone+"-h00", "profile", "buddy", startMs, map[string]any{"diver_id": "ansa0", "name": "Ansa Quellmoor", "remarks": "slow on Mondays"})
	outcomes := make(chan []store.Outcome, 1)
	st.Append("p1", append([]protocol.Event{again}, m.hold(1, map[string]any{"diver": "Ansa Quellmoor"}, nil)...), func(o []store.Outcome, err error) { outcomes <- o })
	for _, outcome := range <-outcomes {
		require.Equal(t, store.Erased, outcome)
	}
	upTo, beyond, err := st.Counters(context.Background(), phone, 0)
	require.NoError(t, err)
	require.EqualValues(t, 1+4*12, upTo, "a phone is not asked for them")
	require.Empty(t, beyond)
	gone, err := st.ErasedOf(context.Background(), "p1")
	require.NoError(t, err)
	require.Equal(t, map[string][]store.Run{phone: {{1, 13}, {26, 37}}}, gone)

	report := imported(t, st, backup)
	require.Equal(t, 1+2*12, report.Refused)
	require.Equal(t, "erased", report.Refusals[0].Code)
	require.Equal(t, 2*12, report.Known)

	report, err = Import(context.Background(), st, bytes.NewReader(backup), Options{BringBack: true})
	require.NoError(t, err)
	require.Equal(t, 1+2*12, report.Added)
	back := exported(t, st, Scope{})
	require.ElementsMatch(t, eventLines(backup), eventLines(back), "in the order in which they came now")
}

// eventLines are the lines of an export but the last, which sums them up.
func eventLines(text []byte) []string {
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return lines[:len(lines)-1]
}
