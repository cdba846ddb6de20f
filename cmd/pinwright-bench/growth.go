package main

import (
	"context"
	"fmt"
	"os"
	"time"
)

// growth asks the same requests of few rows and of many. A history's length per
// feature stays what it is in life; the club's number of features grows.
func growth(ctx context.Context, s *stage, rounds int, d time.Duration) error {
	requests := []struct {
		name string
		next func(client, turn int) []byte
	}{
		{"GET of a joint's readings", func(int, int) []byte { return s.request("GET", "readings?joint=grown-7&limit=20", "") }},
		{"GET of readings by time, first page", func(int, int) []byte { return s.request("GET", "readings?limit=20", "") }},
		{"GET of a tool's reservations", func(int, int) []byte {
			return s.request("GET", "reservations?tool=G-3&limit=20", "")
		}},
		{"availability of a tool", func(int, int) []byte {
			return s.request("GET", "availability?tool=G-3&duration_hours=24", "")
		}},
		{"POST of a reservation", func(client, turn int) []byte {
			s.turn++
			return s.booking(40+client, s.turn)
		}},
	}
	measure := func() ([]figures, error) {
		out := make([]figures, len(requests))
		for r := range rounds + 1 {
			for i, q := range requests {
				t, err := hammer(s.address, 1, d, 0, q.next)
				if err != nil {
					return nil, fmt.Errorf("%s: %w", q.name, err)
				}
				if r > 0 {
					out[i] = append(out[i], float64(t.quantile(0.99).Microseconds())/1000)
				}
			}
		}
		return out, nil
	}
	if err := s.grow(ctx, 10_000, 10_000); err != nil {
		return err
	}
	few, err := measure()
	if err != nil {
		return err
	}
	began := time.Now()
	if err := s.grow(ctx, sizes.readings, sizes.reservations); err != nil {
		return err
	}
	filled := time.Since(began)
	many, err := measure()
	if err != nil {
		return err
	}
	fmt.Fprintf(os.Stdout, "\np99 with 10⁴ readings and 10⁴ reservations, and with %d and %d (filled in %s)\n", sizes.readings, sizes.reservations, filled.Round(time.Second))
	for i, q := range requests {
		fmt.Fprintf(os.Stdout, "  %-40s %s ms, then %s ms: × %.2f   aim 1.5 or less\n", q.name, few[i], many[i], many[i].median()/few[i].median())
	}
	return nil
}

// grow fills up to that many readings and reservations, spread over features of
// 100 readings and tools of 1,000 bookings each, as clubs with long histories
// have.
func (s *stage) grow(ctx context.Context, readings, bookings int) error {
	const perFeature, perTool = 100, 2000
	for _, step := range []struct {
		sql  string
		args []any
	}{
		{`insert into joint (club_id, id, vehicle_id, position, template_id)
			select $1, md5('joint ' || n)::uuid, j.vehicle_id, 'grown-' || n, j.template_id from generate_series(1, $3::int) n, joint j where j.club_id = $1 and j.id = $2 on conflict do nothing`,
			[]any{s.club.ClubID, s.joint, readings / perFeature}},
		{`insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, nominal_nm, usual)
			select $1, md5('feature ' || n)::uuid, md5('joint ' || n)::uuid, 0, 'bore', 'bore', 'running', 9000000, true from generate_series(1, $2::int) n on conflict do nothing`,
			[]any{s.club.ClubID, readings / perFeature}},
		{`insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
			select $1, md5('reading ' || n)::uuid, md5('feature ' || (1 + n / $4::int))::uuid, 'go', 9000000, 9, 'mm', 'as_found', 'bright',
				timestamptz '2020-01-01Z' + n * interval '10 s', timestamptz '2020-01-01Z' + n * interval '10 s', $2, ''
			from generate_series((select count(*) from reading where club_id = $1 and fingerprint = ''), $3::int - 1) n
			where exists (select from feature f where f.club_id = $1 and f.id = md5('feature ' || (1 + n / $4::int))::uuid) on conflict do nothing`,
			[]any{s.club.ClubID, s.club.OfficerID, readings, perFeature}},
		{`insert into tool (club_id, id, number, model_id, garage_id)
			select $1, md5('tool ' || n)::uuid, 'G-' || n, model_id, garage_id from generate_series(0, $2::int) n, (select model_id, garage_id from tool where club_id = $1 limit 1) t on conflict do nothing`,
			[]any{s.club.ClubID, bookings / perTool}},
		{`insert into reservation (club_id, id, member_id, created_at)
			select $1, md5('reservation ' || n)::uuid, $2, timestamptz '2026-01-01Z' from generate_series(0, $3::int - 1) n on conflict do nothing`,
			[]any{s.club.ClubID, s.club.OfficerID, bookings}},
		{`insert into booking (club_id, reservation_id, line, tool_id, period, held)
			select $1, md5('reservation ' || n)::uuid, 0, md5('tool ' || n / $3::int)::uuid,
				tstzrange(timestamptz '2020-01-01Z' + (n % $3::int) * interval '2 days', timestamptz '2020-01-01Z' + (n % $3::int) * interval '2 days' + interval '1 day'),
				tstzrange(timestamptz '2020-01-01Z' + (n % $3::int) * interval '2 days', timestamptz '2020-01-01Z' + (n % $3::int) * interval '2 days' + interval '1 day')
			from generate_series(0, $2::int - 1) n on conflict do nothing`,
			[]any{s.club.ClubID, bookings, perTool}},
	} {
		if _, err := s.owner.Exec(ctx, step.sql, step.args...); err != nil {
			return fmt.Errorf("grow: %w", err)
		}
	}
	for _, table := range []string{"joint", "feature", "reading", "tool", "reservation", "booking"} {
		if _, err := s.owner.Exec(ctx, "vacuum analyze "+table); err != nil {
			return err
		}
	}
	return nil
}
