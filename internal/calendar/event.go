package calendar

import (
	"strconv"
	"time"

	"github.com/google/uuid"
)

// Feed is a calendar with its events, ready to be written.
type Feed struct {
	ID     uuid.UUID
	Name   string
	About  string
	Events []Event
}

// Status is how sure an event is (RFC 5545, 3.8.1.11).
type Status string

// The statuses of an event.
const (
	Confirmed Status = "CONFIRMED"
	Tentative Status = "TENTATIVE"
	Cancelled Status = "CANCELLED"
)

// Event is one entry of a calendar.
type Event struct {
	UID      uuid.UUID
	Made     time.Time // zero when that is not known
	Changed  time.Time
	Sequence int64
	Status   Status
	// From and Until are moments, or, of an event of whole days, midnights of UTC
	// that stand for dates; Until does not belong to it.
	From, Until time.Time
	WholeDays   bool
	Summary     string
	About       string
	Place       string
	Category    string
	// Busy says that what the calendar is of is not to be had meanwhile.
	Busy bool
}

// A view is what an event shows of the thing that it is made of, so that the same
// reservation has events of their own in several calendars, or two in one.
type view string

const (
	borrows     view = "borrows"
	promised    view = "promised"
	goesOut     view = "goes out"
	comesBack   view = "comes back"
	calibration view = "calibration due"
	inspection  view = "inspection due"
	closed      view = "closed"
)

// uid names the event that shows part of thing in that view: always the same, and
// other than all others; nobody can tell the thing from it who does not know its id
// (RFC 9562, 5.5).
func uid(thing uuid.UUID, part int, v view) uuid.UUID {
	return uuid.NewSHA1(thing, []byte(strconv.Itoa(part)+" "+string(v)))
}

const day = 24 * time.Hour

// Window is the stretch that calendars show: it moves with the days of UTC only.
type Window struct {
	Today       time.Time // midnight of UTC
	From, Until time.Time
}

// How far calendars look back and ahead, how much they show at most, and of how
// many reservations that of a member looks at the newest.
const (
	Past     = 90 * day
	Future   = 400 * day
	Most     = 1000
	MostRead = 2000
)

// WindowAt is the window on the day of now.
func WindowAt(now time.Time) Window {
	today := now.UTC().Truncate(day)
	return Window{Today: today, From: today.Add(-Past), Until: today.Add(Future)}
}
