package lending

import (
	"fmt"
	"strings"
	"time"
)

var stateInWords = map[string]string{"quarantine": "is in quarantine", "lost": "is lost", "retired": "is retired"}

// sentence joins parts and ends them.
func sentence(parts ...string) string { return strings.Join(parts, " ") + "." }

func inHours(d time.Duration) string { return fmt.Sprintf("%g h", d.Hours()) }

func inToolHours(t ToolTime) string { return fmt.Sprintf("%.4g tool hours", t.Hours()) }

// inWords tells a moment by the clock that hangs where the tool lives.
func inWords(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2 Jan 2006 15:04") + " (" + zone.String() + ")"
}

// InWords tells p by the clock that hangs where its first tool lives.
func (p FreePeriod) InWords() string {
	return "from " + inWords(p.From, p.zone) + " until " + inWords(p.Until, p.zone)
}
