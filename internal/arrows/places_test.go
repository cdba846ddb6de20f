package arrows_test

import (
	"slices"
	"strings"
)

// domain lists the packages that own rules and SQL, each importing only
// earlier ones. Vehicle stands behind pinseries because a joint names the
// series of pins that it takes, cutting before lending and
// recommend because both ask it; founding composes a club with its first member, token
// and templates, and erasure ends what all of them began.
var domain = []string{"club", "opening", "access", "tool", "kit", "pinseries", "vehicle", "photo", "reading", "cutting", "lending", "loan", "waiting",
	"whereabouts", "calendar", "reminder", "recommend", "wear", "procedure", "repair", "parts", "verification", "workplan", "record", "history", "ledger", "use", "bank", "tariff", "fund", "reports", "search", "imports", "founding", "erasure"}

// ground is what every domain package may import beside internal/calc; sheet is
// as pure as that, but takes encodings from a module that calc does not.
var ground = []string{"internal/canonical", "internal/problem", "internal/postgres", "internal/journal", "internal/sheet"}

// machinery lists the packages without rules of the trade, each with all of
// ours that it may import.
var machinery = map[string][]string{
	"internal/problem":     nil,
	"internal/canonical":   nil,
	"internal/sheet":       nil,
	"internal/config":      nil,
	"internal/localpg":     nil,
	"internal/quota":       nil,
	"internal/schema":      nil,
	"internal/telemetry":   nil,
	"internal/arrows":      nil,
	"internal/specimen":    nil,
	"internal/insist":      nil,
	"internal/takeout":     nil,
	"internal/witness":     nil,
	"internal/backup":      {"internal/schema", "internal/witness"},
	"internal/soundness":   {"internal/backup", "internal/schema", "internal/witness"},
	"internal/postgres":    {"internal/problem"},
	"internal/journal":     {"internal/postgres"},
	"internal/replay":      {"internal/postgres", "internal/problem"},
	"internal/picture":     {"internal/problem"},
	"internal/plot":        nil,
	"internal/pgcontainer": {"internal/localpg"},
	"internal/jobs":        {"internal/postgres"},
	"internal/mail":        {"internal/postgres", "internal/reminder"},
	"internal/issuer":      {"internal/problem"},
	"internal/issuertest":  nil,
	"internal/pgtest":      {"internal/localpg", "internal/pgcontainer", "internal/postgres", "internal/schema", "migrations"},
	"internal/demo":        {"internal/access", "internal/founding", "internal/postgres", "testdata/democlub"},
	"migrations":           nil,
	"openapi":              nil,
	"openapi/bundle":       {"internal/problem"},
	"testdata/democlub":    nil,
	"api/client":           {"internal/calc/length"},
}

func isCalc(pkg string) bool { return strings.HasPrefix(pkg, "internal/calc/") }

func domainPlace(pkg string) int {
	name, ok := strings.CutPrefix(pkg, "internal/")
	if !ok {
		return -1
	}
	return slices.Index(domain, name)
}

// refusal says why pkg may not import other, both of this module; empty when
// it may.
func refusal(pkg, other string) string {
	if other == "api" && !strings.HasPrefix(pkg, "cmd/") {
		return "nothing but a command imports api: HTTP is the outermost layer, and what lies below must not know how it is asked"
	}
	allowed, isMachinery := machinery[pkg]
	place := domainPlace(pkg)
	switch {
	case strings.HasPrefix(pkg, "cmd/"):
		return ""
	case isCalc(pkg):
		if !isCalc(other) {
			return "internal/calc is pure: its numbers are checked against handbooks without a database or a server"
		}
	case place >= 0:
		if !isCalc(other) && !slices.Contains(ground, other) && (domainPlace(other) < 0 || domainPlace(other) >= place) {
			return "a domain package imports calc, problem, postgres, journal and the domain packages before it (" + strings.Join(domain, ", ") +
				"): arrows that all point one way keep the ideas apart, and there is always a package that can be read first"
		}
	case pkg == "api":
		if !isCalc(other) && domainPlace(other) < 0 && !slices.Contains(ground, other) && other != "internal/replay" && other != "internal/picture" && other != "internal/plot" && other != "internal/quota" && other != "openapi" {
			return "api composes domain packages over HTTP; configuration, installation and the demo are the commands' work"
		}
	case isMachinery:
		if !slices.Contains(allowed, other) {
			return "machinery knows no rules of the trade; places_test.go lists what this package may import"
		}
	default:
		return "places_test.go does not know the package " + pkg + "; give it its place there"
	}
	return ""
}
