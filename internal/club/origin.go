package club

import (
	"net/netip"
	"net/url"
	"regexp"
	"strconv"
	"strings"
)

// label is one part of a host's name as browsers send it: in lower case, and
// other scripts in their ASCII form (RFC 5890).
var label = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

// IsOrigin reports whether text is the origin of a web page just as a browser
// writes it into Origin (RFC 6454, 6.2): scheme, host, and a port that is not the
// scheme's own. It must be https, so that nobody on the way can put a page of
// their own in its place; http only on the machine itself, for who builds such a
// page. `null` and `*` are none.
func IsOrigin(text string) bool {
	u, err := url.Parse(text)
	if err != nil || u.Scheme+"://"+u.Host != text || strings.Contains(u.Host, "@") {
		return false
	}
	host, port := u.Hostname(), u.Port()
	if strings.HasSuffix(u.Host, ":") || port != "" && !isPort(port) || port == map[string]string{"https": "443", "http": "80"}[u.Scheme] && port != "" {
		return false
	}
	switch u.Scheme {
	case "https":
		return isHost(host)
	case "http":
		return host == "localhost" || host == "127.0.0.1" || host == "::1"
	}
	return false
}

func isPort(text string) bool {
	n, err := strconv.ParseUint(text, 10, 16)
	return err == nil && n > 0 && strconv.FormatUint(n, 10) == text
}

func isHost(host string) bool {
	if a, err := netip.ParseAddr(host); err == nil {
		return a.Zone() == "" && a.String() == host
	}
	if host == "" || len(host) > 253 {
		return false
	}
	last := ""
	for _, one := range strings.Split(host, ".") {
		if !label.MatchString(one) {
			return false
		}
		last = one
	}
	_, err := strconv.ParseUint(last, 10, 64)
	return err != nil // a name that ends in a number is read as an address by browsers (WHATWG URL, 3.5)
}
