package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// Tokens are one token for each role, and a second member's.
type Tokens struct {
	Member, Rival, ToolKeeper, Treasurer, Officer, Auditor string
}

type sized struct{ Text string }

type coded struct{ Code, Text string }

// answered is what the story reads of a recommendation.
type answered struct {
	ID             string
	Decision       string
	Summary        string
	ProbabilityAll float64 `json:"probability_all"`
	Preference     string
	Joints         []struct {
		Position    string
		Decision    string
		Option      string
		Step        string
		Probability float64 `json:"probability_fit"`
		PassingSize sized   `json:"passing_size"`
		CleanUpSize sized   `json:"clean_up_size"`
	}
	Preferences []struct{ Preference, Decision, Text string }
	Next        *struct {
		Text     string
		Outcomes []struct{ Text string }
	} `json:"next_measurement"`
	DoNext   []coded `json:"do_next"`
	Cautions []coded
	Warnings []coded
}

// Story does the main job on the club's own vehicle and tells each step on w.
func (c Club) Story(ctx context.Context, w io.Writer, base string, t Tokens) error {
	member := newClient(base, c.Slug, t.Member)
	say := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) } // a terminal that went away ends the demo elsewhere
	say("1  Readings of four worn hinges, posted from the garage; the first is sent twice, as phones do.")
	batch := append([]object{c.Job.Readings[0]}, c.Job.Readings...)
	var report struct{ Created, Existing, Refused int }
	if err := member.must(ctx, "POST", "readings", object{"readings": batch}, &report); err != nil {
		return err
	}
	say("   %d sent: %d new, %d known already and counted once, %d refused.\n", len(batch), report.Created, report.Existing, report.Refused)

	say("2  What is left of each bore: the largest cylinder that passes, and what a reamer must reach.")
	var answer answered
	ask := object{"vehicle": c.Job.Vehicle, "joints": c.Job.Joints, "pin_series": c.Job.PinSeries, "preference": "cheapest"}
	if err := member.must(ctx, "POST", "recommendations", ask, &answer); err != nil {
		return err
	}
	for _, j := range answer.Joints {
		say("   %-18s passes %-28s cleans up at %-28s", j.Position, j.PassingSize.Text, j.CleanUpSize.Text)
	}
	say("\n3  What to do, for the whole set (preference %s):\n   %s\n", answer.Preference, wrap(answer.Summary))
	for _, j := range answer.Joints {
		say("   %-18s %s %s, right with %.0f %%: %s", j.Position, strings.ReplaceAll(j.Option, "_", " "), strings.ReplaceAll(j.Step, "_", " "), 100*j.Probability, j.Decision)
	}
	say("\n   All three preferences:")
	for _, p := range answer.Preferences {
		say("   %-12s %-12s %s", strings.ReplaceAll(p.Preference, "_", " "), p.Decision, wrap(p.Text))
	}
	if answer.Next != nil {
		say("\n4  What would make it surer:\n   %s", wrap(answer.Next.Text))
		for _, o := range answer.Next.Outcomes {
			say("   - %s", wrap(o.Text))
		}
	}
	say("\n   Cautions:")
	for _, x := range answer.Cautions {
		say("   ! %s", wrap(x.Text))
	}
	for _, x := range answer.Warnings {
		say("   ? %s", wrap(x.Text))
	}
	if err := c.reserve(ctx, say, member, t, answer.ID); err != nil {
		return err
	}
	if err := c.mend(ctx, say, member, answer.ID); err != nil {
		return err
	}
	return c.Past.tell(ctx, say, member)
}

func (c Club) reserve(ctx context.Context, say func(string, ...any), member client, t Tokens, recommendation string) error {
	var offers struct {
		Summary     string
		Reservation json.RawMessage
	}
	if err := member.must(ctx, "GET", "recommendations/"+recommendation+"/offers", nil, &offers); err != nil {
		return err
	}
	say("\n5  Today's offers for it:\n   %s", wrap(offers.Summary))
	var booked struct {
		ID    string
		Lines []struct {
			ToolNumber string `json:"tool_number"`
			Period     struct{ From, Until string }
		}
	}
	if err := member.must(ctx, "POST", "reservations", offers.Reservation, &booked); err != nil {
		return err
	}
	for _, l := range booked.Lines {
		say("   Reserved: %s from %s until %s.", l.ToolNumber, l.Period.From, l.Period.Until)
	}
	rival, err := member.as(t.Rival).do(ctx, "POST", "reservations", rivalBody(booked.Lines[0].ToolNumber, booked.Lines[0].Period.From, booked.Lines[0].Period.Until))
	if err != nil {
		return err
	}
	var refusal struct {
		Title, Detail string
		Next          []struct{ From, Until string } `json:"next_common_free"`
	}
	if err := json.Unmarshal(rival.body, &refusal); err != nil {
		return err
	}
	if rival.status != 409 {
		return fmt.Errorf("the rival was answered %d: %s", rival.status, rival.body)
	}
	say("\n6  Another member asks for the same tool on the same days: %d.\n   %s", rival.status, wrap(refusal.Title+". "+refusal.Detail))
	if len(refusal.Next) > 0 {
		say("   Free next: from %s.", refusal.Next[0].From)
	}
	return nil
}

func rivalBody(tool, from, until string) object {
	return object{"lines": []object{{"tool": tool}}, "period": object{"from": from, "until": until}}
}

// wrap breaks a sentence at about a hundred characters, under the indent of the
// story.
func wrap(text string) string {
	var out strings.Builder
	column := 0
	for i, word := range strings.Fields(text) {
		if i > 0 {
			if column+1+len(word) > 100 {
				out.WriteString("\n     ")
				column = 0
			} else {
				out.WriteByte(' ')
				column++
			}
		}
		out.WriteString(word)
		column += len(word)
	}
	return out.String()
}
