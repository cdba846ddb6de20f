package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/daveshanley/vacuum/motor"
	"github.com/daveshanley/vacuum/rulesets"
)

// lint holds spec to the rules and returns every finding, of any severity. A rule
// that did not run to its end is an error: it has found nothing wrong because it
// has not looked.
func lint(rules, spec []byte) ([]string, error) {
	given, err := rulesets.CreateRuleSetFromData(rules)
	if err != nil {
		return nil, fmt.Errorf("the rules cannot be read: %w", err)
	}
	complaints := &complaints{}
	set := rulesets.BuildDefaultRuleSetsWithLogger(slog.New(complaints)).GenerateRuleSetFromSuppliedRuleSet(given)
	done := motor.ApplyRulesToRuleSet(&motor.RuleSetExecution{
		RuleSet: set, Spec: spec, SpecFileName: "openapi.yaml", SilenceLogs: true, Logger: slog.New(complaints),
		Timeout: 5 * time.Minute, NodeLookupTimeout: 5 * time.Minute, // generous: the defaults skip rules on a busy machine
	})
	for _, err := range done.Errors {
		complaints.add(err.Error())
	}
	if len(complaints.list) > 0 {
		return nil, fmt.Errorf("the rules did not run: %s", strings.Join(complaints.list, "; "))
	}
	var findings []string
	for _, r := range done.Results {
		line := 0
		if r.StartNode != nil {
			line = r.StartNode.Line
		}
		findings = append(findings, fmt.Sprintf("line %d: %s: %s (%s)", line, r.Rule.Id, r.Message, r.Path))
	}
	slices.Sort(findings)
	return slices.Compact(findings), nil
}

// complaints keeps what a library would only log.
type complaints struct {
	mu   sync.Mutex
	list []string
}

func (c *complaints) add(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list = append(c.list, text)
}

// Enabled is of slog.Handler.
func (c *complaints) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelError }

// Handle is of slog.Handler.
func (c *complaints) Handle(_ context.Context, r slog.Record) error {
	text := r.Message
	r.Attrs(func(a slog.Attr) bool {
		text += " " + a.String()
		return true
	})
	c.add(text)
	return nil
}

// WithAttrs is of slog.Handler.
func (c *complaints) WithAttrs([]slog.Attr) slog.Handler { return c }

// WithGroup is of slog.Handler.
func (c *complaints) WithGroup(string) slog.Handler { return c }
