// Package problem is what can go wrong with a request, as people and programs
// are told of it: a kind with a stable code, a detail that says how to mend the
// request, and one fault for each field. It knows status numbers but no HTTP;
// package api writes these errors as problem documents (RFC 9457).
package problem

// Kind is one sort of problem. Its code is the last part of the type URI
// /problems/{code} and never changes; its title is the same for every
// occurrence.
type Kind struct {
	Code   string
	Status int
	Title  string
	// About tells on the reference page when this happens and what to do.
	About string
}

// The kinds, each listed in Kinds.
var (
	MalformedRequest = Kind{"malformed-request", 400, "The request cannot be read",
		"The body is not JSON, a name stands twice in an object, there is text after the end, or a NUL byte. Mend the body; the detail says where it breaks."}
	KeyMissing = Kind{"key-missing", 400, "An Idempotency-Key is needed",
		"Send the header Idempotency-Key with a UUID of version 7 (GET /v1/new-id makes one), so that sending this request again cannot act twice. Requests whose rows carry client-made ids need none."}
	Unauthenticated = Kind{"unauthenticated", 401, "Sign in first",
		"Send a valid token as `Authorization: Bearer pw_…`. A token that is expired, revoked or whose member is disabled counts as none."}
	MissingRole = Kind{"missing-role", 403, "Your roles do not allow this",
		"The detail names the roles that do. Ask one of the club's officers."}
	InsufficientScope = Kind{"insufficient-scope", 403, "This token's scopes do not allow this",
		"The detail names the scope that does. Make a token with that scope."}
	OriginNotAllowed = Kind{"origin-not-allowed", 403, "The club does not list this web page's origin",
		"A page in a browser may only work for a club that lists the page's origin. An officer adds it to `origins` of the club. Programs outside browsers send no Origin."}
	NotFound = Kind{"not-found", 404, "There is nothing here for you",
		"The address or a name in it is wrong, or it belongs to a club that this token is not for; the answer is the same, so that nothing is given away."}
	MethodNotAllowed = Kind{"method-not-allowed", 405, "This address does not take that method",
		"The header Allow lists the methods that it takes."}
	NotAcceptable = Kind{"not-acceptable", 406, "No such representation",
		"Ask for a media type that the reference lists for this address."}
	RequestInProgress = Kind{"request-in-progress", 409, "An equal request is still running",
		"The same Idempotency-Key is being worked on. Wait as Retry-After says, then send the same request again."}
	ToolTaken = Kind{"tool-taken", 409, "Something is taken in that period",
		"Nothing was booked. `taken` lists what is taken and when it is free, `next_common_free` the next periods of the same length in which everything is free."}
	NotLendable = Kind{"not-lendable", 409, "A tool may not be lent now",
		"It is in quarantine, lost or retired. Choose another tool, or name the model and let the service choose."}
	CounterRefused = Kind{"counter-refused", 409, "Some of it cannot change hands",
		"Nothing was done: all of the request happens or none. `refused` lists every reason of every tool with how to mend it; leave out what cannot be mended."}
	WouldHurt = Kind{"would-hurt", 409, "Somebody else is promised that time",
		"`would_hurt` lists the promised time that a longer loan would take, `until` the latest time that hurts nobody. Ask for that, or bring the tool back in time."}
	AgainstRules = Kind{"against-rules", 409, "The club's lending rules do not allow that",
		"Nothing was booked. `rule` names the rule, `limit` how much it allows and `would_be` how much it would have been; `broken` lists all that are broken. GET lending-rules shows them. Ask for less, or as the detail says."}
	NotCertified = Kind{"not-certified", 409, "It takes a certificate to borrow that",
		"Nothing was booked. `not_certified` lists the models that the club lends only to members who were shown how, and until which day the certificate must be good. A tool keeper shows and certifies."}
	IDUsed = Kind{"id-used", 409, "This id stands for something else already",
		"Something with this id and other content exists. Make a new id for new content; to correct a reading void or replace it."}
	NameTaken = Kind{"name-taken", 409, "This name is taken",
		"Numbers, codes and positions serve as ids, so each may be used once. Choose another."}
	NotAllowedNow = Kind{"not-allowed-now", 409, "Its state does not allow that",
		"The detail tells the state and what may be done in it."}
	ImportInUse = Kind{"import-in-use", 409, "Something of this import is in use",
		"Nothing was taken back. `held` lists by row what was changed since, or what rests on it. Take that back first, or keep the import and correct single things."}
	PhotoSpaceFull = Kind{"photo-space-full", 409, "The club's space for photos is full",
		"`used_bytes` and `allowed_bytes` tell how full it is. Delete photos that nobody needs any more, or ask whoever runs the service for more."}
	StaleVersion = Kind{"stale-version", 412, "It was changed since you read it",
		"`current` holds it as it is now. Make the edit from that, and send its ETag as If-Match."}
	TooLarge = Kind{"too-large", 413, "The request is too large",
		"The detail tells the limit and how to keep to it."}
	UnsupportedMediaType = Kind{"unsupported-media-type", 415, "This media type is not taken here",
		"The detail lists what is taken: application/json for new things, application/merge-patch+json for edits, image/jpeg or image/png for photos."}
	InvalidRequest = Kind{"invalid-request", 422, "Fields need mending",
		"`errors` lists every fault with its place and how to mend it."}
	AmbiguousName = Kind{"ambiguous-name", 422, "A name fits several things",
		"`errors` lists the candidates. Use the id, or name the vehicle as well."}
	RowsRefused = Kind{"rows-refused", 422, "Rows of the sheet need mending",
		"Nothing of the sheet was taken. `report` tells every row, with the sheet's own row numbers and column names and how to mend each fault. Mend the sheet and send it again, or take the sound rows with partial=true."}
	KeyReused = Kind{"key-reused", 422, "This Idempotency-Key stands for another request",
		"The key was used with another body or address. Make a new key for a new request; send the same bytes to repeat one."}
	KeyTooOld = Kind{"key-too-old", 422, "This Idempotency-Key is too old",
		"Answers are kept 30 days and this key is older, so it cannot be told whether the request has run. Look at the resource, then use a new key."}
	PreconditionRequired = Kind{"precondition-required", 428, "Say which version you edit",
		"Send the resource's ETag as If-Match, so that nobody's change is overwritten."}
	TooManyRequests = Kind{"too-many-requests", 429, "Too many requests",
		"Nothing of the request took effect. Send it again after Retry-After seconds. `RateLimit` in every answer tells how many requests are left and when all are back."}
	Internal = Kind{"internal", 500, "The service failed",
		"Nothing of the request took effect. Try again; if it stays, tell whoever runs the service the request id in `instance`."}
	Unavailable = Kind{"unavailable", 503, "Not available now",
		"Send the same request again, with the same key, after Retry-After seconds: it takes effect once."}
)

// Kinds lists every kind, in the order of their status.
func Kinds() []Kind {
	return []Kind{MalformedRequest, KeyMissing, Unauthenticated, MissingRole, InsufficientScope, OriginNotAllowed, NotFound, MethodNotAllowed,
		NotAcceptable, RequestInProgress, ToolTaken, NotLendable, AgainstRules, NotCertified, CounterRefused, WouldHurt, IDUsed, NameTaken, NotAllowedNow, ImportInUse, PhotoSpaceFull, StaleVersion, TooLarge,
		UnsupportedMediaType, InvalidRequest, AmbiguousName, RowsRefused, KeyReused, KeyTooOld, PreconditionRequired, TooManyRequests, Internal, Unavailable}
}
