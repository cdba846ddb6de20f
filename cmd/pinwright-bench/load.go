package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// tally is what a load came to.
type tally struct {
	took      time.Duration
	byStatus  map[int]int
	latencies []time.Duration // of answers below 300, sorted
	failure   string          // the body of one answer that was neither a success nor shed
}

func (t tally) good() int {
	n := 0
	for status, count := range t.byStatus {
		if status < 300 {
			n += count
		}
	}
	return n
}

func (t tally) perSecond() float64 { return float64(t.good()) / t.took.Seconds() }

func (t tally) quantile(p float64) time.Duration {
	if len(t.latencies) == 0 {
		return 0
	}
	return t.latencies[min(len(t.latencies)-1, int(p*float64(len(t.latencies))))]
}

// hammer asks address over that many kept connections, each for its next
// request as soon as the last is answered, for the time given. With a pace it
// asks that many times a second in all, whether answers come or not, as long as
// a connection is free. It speaks just enough HTTP to cost little beside what it
// measures.
func hammer(address string, connections int, d time.Duration, pace float64, next func(client, turn int) []byte) (tally, error) {
	var (
		mu    sync.Mutex
		all   sync.WaitGroup
		total = tally{byStatus: map[int]int{}}
		fault error
	)
	begin := time.Now()
	until := begin.Add(d)
	for client := range connections {
		all.Go(func() {
			one, err := hammerOne(address, client, until, begin, pace/float64(connections), next)
			mu.Lock()
			defer mu.Unlock()
			for status, n := range one.byStatus {
				total.byStatus[status] += n
			}
			total.latencies = append(total.latencies, one.latencies...)
			if one.failure != "" {
				total.failure = one.failure
			}
			if err != nil {
				fault = err
			}
		})
	}
	all.Wait()
	total.took = time.Since(begin)
	slices.Sort(total.latencies)
	if fault == nil && total.failure != "" {
		fault = fmt.Errorf("answered %s", total.failure)
	}
	return total, fault
}

func hammerOne(address string, client int, until, begin time.Time, pace float64, next func(client, turn int) []byte) (tally, error) {
	t := tally{byStatus: map[int]int{}}
	conn, err := new(net.Dialer).DialContext(context.Background(), "tcp", address)
	if err != nil {
		return t, err
	}
	defer conn.Close() //nolint:errcheck // the load is over
	in := bufio.NewReaderSize(conn, 32<<10)
	for turn := 0; ; turn++ {
		at := time.Now()
		if pace > 0 {
			due := begin.Add(time.Duration(float64(turn) / pace * float64(time.Second)))
			if wait := due.Sub(at); wait > 0 {
				time.Sleep(wait)
				at = time.Now()
			}
		}
		if !at.Before(until) {
			return t, nil
		}
		if _, err := conn.Write(next(client, turn)); err != nil {
			return t, err
		}
		status, body, err := answerOf(in)
		if err != nil {
			return t, err
		}
		t.byStatus[status]++
		switch {
		case status < 300:
			t.latencies = append(t.latencies, time.Since(at))
		case status != 429 && status != 503:
			t.failure = fmt.Sprintf("%d %s", status, body)
		}
	}
}

// answerOf reads one answer with a Content-Length; the body is kept only when it
// tells what went wrong.
func answerOf(in *bufio.Reader) (status int, body []byte, err error) {
	length := -1
	for first := true; ; first = false {
		line, err := in.ReadSlice('\n')
		if err != nil {
			return 0, nil, err
		}
		switch {
		case first:
			if len(line) < 12 {
				return 0, nil, fmt.Errorf("no status line: %q", line)
			}
			if status, err = strconv.Atoi(string(line[9:12])); err != nil {
				return 0, nil, fmt.Errorf("no status line: %q", line)
			}
		case len(line) <= 2:
			if status == 204 || status == 304 {
				length = 0
			}
			if length < 0 {
				return 0, nil, fmt.Errorf("an answer %d without Content-Length", status)
			}
			if status >= 300 {
				body = make([]byte, length)
				_, err = io.ReadFull(in, body)
				return status, body, err
			}
			_, err = in.Discard(length)
			return status, nil, err
		case length < 0 && len(line) > 16 && bytes.EqualFold(line[:15], []byte("Content-Length:")):
			if length, err = strconv.Atoi(strings.TrimSpace(string(line[15:]))); err != nil {
				return 0, nil, err
			}
		}
	}
}
