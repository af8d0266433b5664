package e2e

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// aloneWithLog is a phone without a host whose log has twenty invented outings.
func aloneWithLog(t *testing.T, name string, width, height int64) *phone {
	t.Helper()
	server := startProgram(t, "", "")
	p := newPhone(t, name, width, height, browserSetup{limit: 3 * time.Minute})
	p.open(t, server.joinURL)
	eval[bool](t, p.browser, "buddyclock.access.alone('Odo').then(() => true)")
	lines := inventedOutings(20, 4, time.Now())
	p.takeIn(t, lines, "0 refused")
	p.waitFor(t, "buddyclock.log.lines().length === 80")
	return p
}

// The trends of a diver stand on charts and, the same figures, in tables; a
// line has its interval, and what went along is spoken of without a cause.
func TestTrendsHaveATableOfEveryChart(t *testing.T) {
	t.Parallel()
	p := aloneWithLog(t, "trends", 390, 844)
	eval[bool](t, p.browser, "buddyclock.go('trends', { diver: 'Ansa', setting: 'dry' }) ?? true")
	p.waitFor(t, "document.querySelectorAll('.trend-chart').length === 5")
	for _, night := range []bool{false, true} {
		eval[bool](t, p.browser, fmt.Sprintf("buddyclock.prefs.set('night', %v) ?? true", night))
		p.picture(t, fmt.Sprintf("night-%v", night))
		eval[bool](t, p.browser, "(document.querySelector('.page').scrollTo(0, 820), true)")
		p.picture(t, fmt.Sprintf("more-night-%v", night))
	}
	rows := eval[int](t, p.browser, "document.querySelectorAll('.trend .numbers tbody tr').length")
	dots := eval[int](t, p.browser, "document.querySelectorAll('.trend-chart circle').length")
	assert.Equal(t, dots, rows)
	assert.Equal(t, 50, dots, "ten dry days in five charts")
	p.says(t, "in 30 days")
	p.says(t, "worried")
	p.tap(t, "numbers")
	require.True(t, eval[bool](t, p.browser, "document.querySelector('.trend .numbers').getBoundingClientRect().height > 100"))
	p.picture(t, "numbers")
	eval[bool](t, p.browser, "buddyclock.go('log') ?? true")
	p.waitFor(t, "document.querySelectorAll('.log-row .tape-strip path').length > 20")
	p.picture(t, "log")
	eval[bool](t, p.browser, "buddyclock.go('files', { diver: 'Ansa' }) ?? true")
	p.waitFor(t, "document.querySelector('.files')")
	p.picture(t, "files")
	eval[bool](t, p.browser, "buddyclock.go('people', { name: 'Ansa' }) ?? true")
	p.waitFor(t, "document.querySelector('.profile')")
	p.picture(t, "profile")
}
