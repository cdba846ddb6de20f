package api

import (
	"crypto/sha256"
	"encoding/hex"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/vehicle"
)

// mostIncluded bounds the joints that are shown within a vehicle, and those that
// are estimated in one request: as many as one request makes.
const mostIncluded = 40

// includes reports whether ?include names one of what.
func (in *call) includes(what ...string) bool {
	asked := strings.Split(in.echo.QueryParam("include"), ",")
	return slices.ContainsFunc(what, func(name string) bool { return slices.Contains(asked, name) })
}

// including adds the ETag of a version with what is included: the included may
// change while the version stays, so its bytes count, too. The version still stands
// first, where If-Match looks.
func (in *call) including(a answer, version int64) (answer, error) {
	if in.echo.QueryParam("include") == "" {
		return a.versioned(version, in.caller.Units), nil
	}
	return in.whole(a, version)
}

// whole adds the ETag of a version with all that is shown, where that changes
// while the version stays.
func (in *call) whole(a answer, version int64) (answer, error) {
	text, err := render(a.body)
	if err != nil {
		return a, err
	}
	sum := sha256.Sum256(text)
	return a.with("ETag", `"`+strconv.FormatInt(version, 10)+"."+in.caller.Units+"."+hex.EncodeToString(sum[:12])+`"`), nil
}

// shownJoint is a joint as the contract shows it, with what is known of its
// features where that is gathered.
func (in *call) shownJoint(j vehicle.Joint, known *recommend.Snapshot) (Joint, error) {
	out := jointOut(j, in.caller.Units)
	if known == nil {
		return out, nil
	}
	if in.ctx.Err() != nil {
		return out, &problem.Error{Kind: problem.Unavailable, Detail: "This took too long. Ask for fewer joints at once: GET the joints with a `limit`.", RetryAfter: time.Second, Cause: in.ctx.Err()}
	}
	known.Stop = in.abandoned
	estimates, err := recommend.EstimateJoint(known, j.ID, length.Unit(in.caller.Units))
	if problem.Is(err, problem.NotFound) {
		return out, nil // it was made between the two lookups
	}
	if err != nil {
		return out, stopped(err)
	}
	byFeature := map[uuid.UUID]*Estimate{}
	for _, e := range estimates {
		byFeature[e.Feature.ID] = pointerTo(estimateOut(e, in.caller.Units))
	}
	for i, f := range out.Features {
		out.Features[i].Estimate = byFeature[f.Id]
	}
	return out, nil
}

// withJoints adds to a vehicle its joints, of which one more than are shown was
// asked for, and where to find the rest.
func (in *call) withJoints(v Vehicle, joints []vehicle.Joint, known *recommend.Snapshot) (Vehicle, error) {
	if len(joints) > mostIncluded {
		joints = joints[:mostIncluded]
		at := in.echo.Request().URL
		q := url.Values{"cursor": {cursor{Bound: in.bound(at.Path+"/joints", nil), After: []string{joints[mostIncluded-1].Position}}.text()}}
		if unit := in.echo.QueryParam("units"); unit != "" {
			q.Set("units", unit)
		}
		if known != nil {
			q.Set("include", "estimates")
		}
		v.JointsNext = pointerTo(at.EscapedPath() + "/joints?" + q.Encode())
	}
	list := make([]Joint, len(joints))
	for i, j := range joints {
		var err error
		if list[i], err = in.shownJoint(j, known); err != nil {
			return v, err
		}
	}
	v.Joints = &list
	return v, nil
}
