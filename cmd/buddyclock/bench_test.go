//go:build unix

package main

import (
	"database/sql"
	"net/http"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"buddyclock/server/store"
)

// rows are as many stored events as clubs have after years. The server must not
// look at them before it answers.
const rows = `
WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 999999)
INSERT INTO event (id, pair, hold, kind, device, counter, at, stored_ms, body, sum)
SELECT printf('old%07d-%06d', i / 1000, i % 1000 + 1), printf('pair%06d', i / 20000), printf('old%07d-h%02d', i / 1000, i / 100 % 10),
	CASE i % 100 WHEN 0 THEN 'plan' WHEN 1 THEN 'start' ELSE 'look' END,
	printf('old%07d', i / 1000), i % 1000 + 1, 1700000000000 + i * 1000, 1700000000000 + i * 1000, zeroblob(220), zeroblob(8)
FROM n`

// BenchmarkStart measures how soon the program gives out its page with a million
// stored events, and the memory it takes, against an empty folder:
//
//	go test ./cmd/buddyclock -run '^$' -bench Start -benchtime 1x
func BenchmarkStart(b *testing.B) {
	empty, full := b.TempDir(), b.TempDir()
	firstPage(b, empty)
	firstPage(b, full)
	db, err := sql.Open("sqlite", filepath.Join(full, store.FileName)+"?_pragma=synchronous(OFF)")
	require.NoError(b, err)
	_, err = db.Exec(rows)
	require.NoError(b, err)
	require.NoError(b, db.Close())
	without, least := firstPage(b, empty)
	with, most := firstPage(b, full)
	b.ReportMetric(with.Seconds(), "s-to-page")
	b.ReportMetric(float64(most)/float64(least), "memory-over-empty")
	b.Logf("first page after %v (at most 0.5 s), of an empty folder after %v", with, without)
	b.Logf("memory at most %d KB, of an empty folder %d KB", most, least)
}

// firstPage starts the program, waits for its page, ends it, and gives how long
// the page took and the program's largest memory in KB.
func firstPage(b *testing.B, dir string) (took time.Duration, kb int64) {
	b.Helper()
	begun := time.Now()
	p := startCommand(b, asProgram("serve", "-addr", "127.0.0.1:0", "-data", dir))
	resp, err := http.Get(p.url + "/")
	require.NoError(b, err)
	took = time.Since(begun)
	require.NoError(b, resp.Body.Close())
	require.Equal(b, http.StatusOK, resp.StatusCode)
	require.NoError(b, p.cmd.Process.Signal(syscall.SIGINT))
	require.NoError(b, p.cmd.Wait())
	return took, int64(p.cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
}
