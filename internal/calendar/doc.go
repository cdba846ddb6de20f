// Package calendar shows lending in people's own calendars: what a member has
// and will have, whom a tool is promised to and when it is due for care, and what
// goes over a garage's counter. Whoever has the address of a calendar sees it, so
// it tells no names unless its maker asked for them, and the address is a secret
// that can be revoked.
//
// A calendar is an iCalendar object (RFC 5545, RFC 7986) made anew from the
// club's rows each time it is asked for. It depends on these and on the day
// only, never on the time of the day, so that who asks again gets the same bytes.
//
// An event's UID is made of its reservation's id and of what shows it, and stays
// as long as that does; it tells nothing (RFC 7986, 5.3). DTSTAMP is when the
// reservation or its loan last changed, SEQUENCE grows with each such change.
package calendar
