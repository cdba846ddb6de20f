package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

func reminderOut(r reminder.Reminder) Reminder {
	return Reminder{Id: r.ID, Kind: ReminderKind(r.Kind), About: ReminderAbout(r.About()), AboutId: r.Subject, DueAt: r.DueAt, Tools: append([]Code{}, r.Tools...),
		MadeAt: r.MadeAt, Mail: ReminderMail(r.Mail), MailAt: r.MailAt, Summary: r.Summary()}
}

// ListReminders implements the contract.
func (s *Server) ListReminders(c echo.Context, _ InClub, _ ListRemindersParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := reminder.List(b, in.bearer.Holder(), in.bearer.Key(), in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(r reminder.Reminder) []string { return []string{r.ID.String()} })
			return in.listed(ReminderPage{Items: each(items, reminderOut), Next: next}, next), nil
		}
	})
}
