package api

import (
	"net/http"
	"strings"
)

// safeHeaders are what every answer carries to keep browsers from doing more with
// it than show it: the OWASP REST Security Cheat Sheet, “Security Headers”, and the
// list headers_add.json of the OWASP Secure Headers Project (2024-07-19), as far as
// they fit. Left out: Clear-Site-Data, which belongs to signing out, and
// includeSubDomains and upgrade-insecure-requests, since hosts beside this one are
// not ours to speak for.
//
// Pages set a Content-Security-Policy of their own. Whatever has an ETag is kept by
// the browser of whoever asked and asked about each time (private, no-cache), so that
// 304 saves its transfer; everything else of a club is not stored at all.
func safeHeaders(publicURL string) http.Header {
	h := http.Header{}
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Cross-Origin-Embedder-Policy", "require-corp")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "accelerometer=(), autoplay=(), camera=(), cross-origin-isolated=(), display-capture=(), encrypted-media=(), fullscreen=(), geolocation=(), gyroscope=(), magnetometer=(), microphone=(), midi=(), payment=(), picture-in-picture=(), publickey-credentials-get=(), screen-wake-lock=(), usb=(), web-share=(), xr-spatial-tracking=()")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("X-Permitted-Cross-Domain-Policies", "none")
	if strings.HasPrefix(publicURL, "https://") {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	return h
}
