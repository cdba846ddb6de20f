package api

import (
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/photo"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
	"pinwright/internal/vehicle"
)

func photoOut(in *call, p photo.Photo) Photo {
	at := in.path("photos", p.ID.String(), "image")
	image := func(k photo.Kept, query string) PhotoImage {
		return PhotoImage{Href: at + query, MediaType: PhotoImageMediaType(k.MediaType), Width: k.Width, Height: k.Height, Bytes: k.Bytes}
	}
	return Photo{Id: p.ID, ToolId: p.ToolID, JointId: p.JointID, Order: p.Ordinal, Caption: present(p.Caption), TakenBy: p.TakenBy, AddedAt: p.AddedAt,
		Image: image(p.Full, ""), Thumbnail: image(p.Thumbnail, "?size=thumbnail"), Version: p.Version}
}

// toolPictured looks up the tool that a photo is of.
func toolPictured(name string) func(b *postgres.Batch) func() (photo.Photo, error) {
	return func(b *postgres.Batch) func() (photo.Photo, error) {
		row := tool.Find(b, postgres.ParseRef(name))
		return func() (photo.Photo, error) {
			t, err := row.One()
			return photo.Photo{ToolID: &t.ID}, err
		}
	}
}

// jointPictured looks up the joint that a photo is of.
func jointPictured(name string) func(b *postgres.Batch) func() (photo.Photo, error) {
	return func(b *postgres.Batch) func() (photo.Photo, error) {
		row := vehicle.FindJoint(b, postgres.ParseRef(name))
		return func() (photo.Photo, error) {
			j, err := jointInPath(row, name)
			return photo.Photo{JointID: &j.ID}, err
		}
	}
}

// CreateToolPhoto implements the contract.
func (s *Server) CreateToolPhoto(c echo.Context, _ InClub, name InTool, params CreateToolPhotoParams) error {
	return s.upload(c, params.Id, toolPictured(name))
}

// CreateJointPhoto implements the contract.
func (s *Server) CreateJointPhoto(c echo.Context, _ InClub, joint InJoint, params CreateJointPhotoParams) error {
	return s.upload(c, params.Id, jointPictured(joint))
}

// listPhotos answers a page of what list looks up, if the thing is there.
func (s *Server) listPhotos(c echo.Context, of func(b *postgres.Batch) func() (photo.Photo, error),
	list func(b *postgres.Batch, after int, afterID uuid.UUID, limit int) *postgres.Rows[photo.Photo]) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		after, err := strconv.Atoi(p.key(0, "-1000000"))
		afterID, err2 := uuid.Parse(p.key(1, uuid.Nil.String()))
		if err != nil || err2 != nil {
			in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
		}
		thing := of(b)
		rows := list(b, after, afterID, p.limit+1)
		return func() (answer, error) {
			if _, err := thing(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(p photo.Photo) []string { return []string{strconv.Itoa(p.Ordinal), p.ID.String()} })
			return in.listed(PhotoPage{Items: each(items, func(p photo.Photo) Photo { return photoOut(in, p) }), Next: next}, next), nil
		}
	})
}

// ListToolPhotos implements the contract.
func (s *Server) ListToolPhotos(c echo.Context, _ InClub, name InTool, _ ListToolPhotosParams) error {
	return s.listPhotos(c, toolPictured(name), func(b *postgres.Batch, after int, afterID uuid.UUID, limit int) *postgres.Rows[photo.Photo] {
		return photo.ListOfTool(b, postgres.ParseRef(name), after, afterID, limit)
	})
}

// ListJointPhotos implements the contract.
func (s *Server) ListJointPhotos(c echo.Context, _ InClub, joint InJoint, _ ListJointPhotosParams) error {
	return s.listPhotos(c, jointPictured(joint), func(b *postgres.Batch, after int, afterID uuid.UUID, limit int) *postgres.Rows[photo.Photo] {
		return photo.ListOfJoint(b, postgres.ParseRef(joint), after, afterID, limit)
	})
}

// GetPhoto implements the contract.
func (s *Server) GetPhoto(c echo.Context, _ InClub, id InPhoto, _ GetPhotoParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := photo.Find(b, id)
		return func() (answer, error) {
			p, err := row.One()
			return ok(photoOut(in, p)).versioned(p.Version, in.caller.Units), err
		}
	})
}

// mayChange says why the caller may not change p.
func (in *call) mayChange(p photo.Photo) error {
	if p.TakenBy == in.caller.MemberID || in.caller.Has("tool_keeper", "officer") {
		return nil
	}
	return problem.New(problem.MissingRole, "A photo is changed and deleted by who added it, a tool keeper or an officer. Ask one of them.")
}

// PatchPhoto implements the contract.
func (s *Server) PatchPhoto(c echo.Context, _ InClub, id InPhoto, _ PatchPhotoParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[PhotoPatch](in)
		row := photo.Lock(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			p, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayChange(p); err != nil {
				return answer{}, err
			}
			if err := in.match(p.Version, photoOut(in, p)); err != nil {
				return answer{}, err
			}
			p.Ordinal = or(change.Order, p.Ordinal)
			if in.says("caption") {
				p.Caption = or(change.Caption, "")
			}
			p = photo.Update(tx, in.caller.MemberID, p)
			return ok(photoOut(in, p)).versioned(p.Version, in.caller.Units), nil
		}
	})
}

// DeletePhoto implements the contract.
func (s *Server) DeletePhoto(c echo.Context, _ InClub, id InPhoto) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := photo.Lock(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			p, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayChange(p); err != nil {
				return answer{}, err
			}
			photo.Delete(tx, in.caller.MemberID, p)
			return answer{status: http.StatusNoContent}, nil
		}
	})
}

// imagePolicy lets a picture that is opened by itself do nothing, whatever a
// browser takes it for.
const imagePolicy = "default-src 'none'; frame-ancestors 'none'; sandbox"

// GetPhotoImage implements the contract. The bytes are read only where they are
// sent.
func (s *Server) GetPhotoImage(c echo.Context, _ InClub, id InPhoto, params GetPhotoImageParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		known := in.tagsAtHand()
		row := photo.FindImage(b, id, photo.Size(or(params.Size, Full)), c.Request().Method != http.MethodHead, known)
		return func() (answer, error) {
			i, err := row.One()
			if err != nil {
				return answer{}, err
			}
			_, form, _ := strings.Cut(i.MediaType, "/")
			return answer{status: http.StatusOK, body: i.Data, headers: map[string]string{
				"Content-Type":   i.MediaType,
				"Content-Length": strconv.FormatInt(i.Bytes, 10),
				"ETag":           `"` + hex.EncodeToString(i.Hash) + `"`,
				// What stands at an address never changes, but a photo may be deleted: a day.
				"Cache-Control":           "private, max-age=86400, immutable",
				"Vary":                    "Origin, Authorization", // see cross; and two members may share a browser
				"Content-Disposition":     `inline; filename="` + id.String() + "." + form + `"`,
				"Content-Security-Policy": imagePolicy,
			}}, nil
		}
	})
}

// tagsAtHand are the entity tags in If-None-Match, without their quotes.
func (in *call) tagsAtHand() []string {
	tags := []string{}
	for _, tag := range strings.Split(in.echo.Request().Header.Get("If-None-Match"), ",") {
		tag = strings.TrimPrefix(strings.TrimSpace(tag), "W/")
		if len(tag) > 1 && tag[0] == '"' && tag[len(tag)-1] == '"' {
			tags = append(tags, tag[1:len(tag)-1])
		}
	}
	return tags
}
