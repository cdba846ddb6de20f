package api

import (
	"bytes"
	"crypto/sha256"
	"mime"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/photo"
	"pinwright/internal/picture"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// upload adds a photo. It is a write of its own kind: its body is large, so it
// is read only once it is known who sends it, and a picture takes long to make,
// so no connection is held meanwhile. The first round trip tells who calls and what
// there is, the second writes all or nothing; what may have changed between them
// is held by the tables' own constraints. of queues the look-up of the thing.
func (s *Server) upload(c echo.Context, id uuid.UUID, of func(b *postgres.Batch) func() (photo.Photo, error)) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	var (
		caller  *postgres.Rows[access.Caller]
		thing   func() (photo.Photo, error)
		earlier *postgres.Rows[photo.Photo]
		used    *postgres.Rows[int64]
	)
	look := func() error {
		return s.db.Read(in.ctx, in.club, func(b *postgres.Batch) {
			caller = access.Who(b, in.bearer, in.now)
			if invalid == nil {
				thing, earlier, used = of(b), photo.Find(b, id), photo.Used(b)
			}
		})
	}
	if err := look(); err != nil {
		return err
	}
	if err := in.admit(caller, invalid); err != nil {
		return err
	}
	header, err := s.receivePicture(in)
	if err != nil {
		return err
	}
	p, err := thing()
	if err != nil {
		return err
	}
	sum := sha256.Sum256(in.body)
	p.ID, p.TakenBy, p.Received = id, in.caller.MemberID, sum[:]
	if len(earlier.Items) == 0 {
		before := int64(0)
		if len(used.Items) == 1 {
			before = used.Items[0]
		}
		added, err := s.develop(in, p, header, before)
		if err == nil {
			s.noteUse(in)
			a := created(in.path("photos", id.String()), photoOut(in, added)).versioned(added.Version, in.caller.Units)
			return in.deliver(a)
		}
		if !problem.Is(err, problem.IDUsed) {
			return err
		}
		if err := look(); err != nil { // it was sent twice at once and this was the later: it is there now
			return err
		}
	}
	was, err := earlier.One()
	if err != nil {
		return err
	}
	if err := was.Same(p); err != nil {
		return err
	}
	s.noteUse(in)
	return in.deliver(ok(photoOut(in, was)).versioned(was.Version, in.caller.Units))
}

// receivePicture reads the body, for which there is more time than for others,
// and its header.
func (s *Server) receivePicture(in *call) (picture.Header, error) {
	rc := http.NewResponseController(in.echo.Response())
	now := time.Now()
	// What cannot be set, as in a test without a socket, is not bounded there either.
	_ = rc.SetReadDeadline(now.Add(s.limits.Upload))
	_ = rc.SetWriteDeadline(now.Add(s.limits.Upload + 2*s.limits.Request))
	var err error
	if in.body, err = s.readBody(in.echo, in.op.MaxBody, "Let the camera save it smaller."); err != nil {
		return picture.Header{}, err
	}
	var faults []problem.Fault
	if _, err := checkBody(in.echo.Request(), in.op, in.body, &faults); err != nil {
		return picture.Header{}, err
	}
	mediaType, _, _ := mime.ParseMediaType(in.echo.Request().Header.Get("Content-Type")) // checkBody has read it
	return s.darkroom.Inspect(mediaType, in.body)
}

// develop makes the pictures that are kept of p and adds them; used is what the
// club's photos take already.
func (s *Server) develop(in *call, p photo.Photo, header picture.Header, used int64) (photo.Photo, error) {
	allowed := s.limits.PhotoSpace
	if used >= allowed {
		return p, photo.NoSpace(used, 0, allowed)
	}
	made, err := s.darkroom.Develop(in.ctx, header, bytes.NewReader(in.body))
	if err != nil {
		return p, err
	}
	image := func(size photo.Size, r picture.Rendition) photo.Image {
		sum := sha256.Sum256(r.Data)
		return photo.Image{Size: size, MediaType: r.MediaType, Width: r.Width, Height: r.Height, Hash: sum[:], Data: r.Data}
	}
	err = s.db.Write(in.ctx, in.club, in.now, nil, func(tx *postgres.Tx) error {
		p = photo.Add(tx, p, used, allowed, image(photo.Full, made.Image), image(photo.Thumbnail, made.Thumbnail))
		return nil
	})
	return p, err
}
