// Package photo keeps photos of the club's things: who added them, in which
// order they stand, what is to be said of each, and the two pictures that are
// kept of it. How a picture is made is not its business.
package photo

import (
	"bytes"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Photo is a photo of one thing, without its bytes.
type Photo struct {
	ID      uuid.UUID // made by the client
	ToolID  *uuid.UUID
	JointID *uuid.UUID
	// Ordinal places it among the photos of its thing, lower first; those of the
	// same stand by their id, which is by when a phone made them.
	Ordinal int
	Caption string
	TakenBy uuid.UUID
	AddedAt time.Time
	// Received is the SHA-256 of what was sent, which is not what is kept.
	Received  []byte `json:"-"`
	Version   int64
	Full      Kept
	Thumbnail Kept
}

// Kept describes a picture that is kept.
type Kept struct {
	MediaType     string `json:"media_type"`
	Width, Height int
	Bytes         int64
}

// Size is which of the two pictures is meant.
type Size string

// The sizes.
const (
	Full      Size = "full"
	Thumbnail Size = "thumbnail"
)

// Image is a picture that is kept.
type Image struct {
	Size          Size
	MediaType     string
	Width, Height int
	Hash          []byte // SHA-256 of Data
	Bytes         int64
	Data          []byte // nil where it was not asked for
}

// kept describes the picture of a size; its bytes are counted without being read.
const kept = `(select json_build_object('media_type', i.media_type, 'width', i.width, 'height', i.height, 'bytes', octet_length(i.data))
	from photo_image i where i.club_id = p.club_id and i.photo_id = p.id and i.size = `

const selectPhoto = `select p.id, p.tool_id, p.joint_id, p.ordinal, p.caption, p.taken_by, p.added_at, p.received, p.version,
	` + kept + `'full') as full, ` + kept + `'thumbnail') as thumbnail
	from photo p where p.club_id = $1`

// Find looks a photo up.
func Find(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Photo] {
	return postgres.Query[Photo](b, selectPhoto+` and p.id = $2`, b.Club, id)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Photo] {
	return postgres.Query[Photo](b, selectPhoto+` and p.id = $2 for no key update of p`, b.Club, id)
}

// ListOfTool lists the photos of a tool in their order, behind the place and id
// given. Served by photo_of_tool.
func ListOfTool(b *postgres.Batch, tool postgres.Ref, after int, afterID uuid.UUID, limit int) *postgres.Rows[Photo] {
	return postgres.Query[Photo](b, selectPhoto+` and p.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3))
		and (p.ordinal, p.id) > ($4, $5) order by p.ordinal, p.id limit $6`, b.Club, tool.ID, tool.Name, after, afterID, limit)
}

// ListOfJoint is ListOfTool for a joint by its id or position; of several at that
// position it takes any, which whoever asks must refuse. Served by photo_of_joint.
func ListOfJoint(b *postgres.Batch, joint postgres.Ref, after int, afterID uuid.UUID, limit int) *postgres.Rows[Photo] {
	return postgres.Query[Photo](b, selectPhoto+` and p.joint_id = (select id from joint where club_id = $1 and (id = $2 or position = $3) limit 1)
		and (p.ordinal, p.id) > ($4, $5) order by p.ordinal, p.id limit $6`, b.Club, joint.ID, joint.Name, after, afterID, limit)
}

// FindImage looks up a picture of a photo. Its bytes are left out unless they
// are wanted, and where its hash in hexadecimal is one of known.
func FindImage(b *postgres.Batch, id uuid.UUID, size Size, wanted bool, known []string) *postgres.Rows[Image] {
	return postgres.Query[Image](b, `select size, media_type, width, height, hash, octet_length(data) as bytes,
		case when $4 and encode(hash, 'hex') <> all ($5) then data end as data
		from photo_image where club_id = $1 and photo_id = $2 and size = $3`, b.Club, id, size, wanted, known)
}

// Used asks how many bytes the club's photos take; no row is none.
func Used(b *postgres.Batch) *postgres.Rows[int64] {
	return postgres.Values[int64](b, `select bytes from photo_space where club_id = $1`, b.Club)
}

// Same reports whether q is p sent again: the same bytes for the same thing. It
// fails where the id stands for something else.
func (p Photo) Same(q Photo) error {
	same := func(a, b *uuid.UUID) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }
	if bytes.Equal(p.Received, q.Received) && same(p.ToolID, q.ToolID) && same(p.JointID, q.JointID) {
		return nil
	}
	return problem.New(problem.IDUsed, "A photo of other bytes or of another thing has this id. Make a new id for a new photo.")
}

// NoSpace is the refusal of a photo that needs more than is left of the club's
// space; needed is 0 while it is not known.
func NoSpace(used, needed, allowed int64) *problem.Error {
	p := problem.New(problem.PhotoSpaceFull, "The club's photos take %s of the %s allowed%s. Delete photos that nobody needs any more, or ask whoever runs the service for more.",
		mebibytes(used), mebibytes(allowed), map[bool]string{true: ", and this one needs " + mebibytes(needed)}[needed > 0])
	p.Members = map[string]any{"used_bytes": used, "allowed_bytes": allowed}
	if needed > 0 {
		p.Members["needed_bytes"] = needed
	}
	return p
}

func mebibytes(n int64) string { return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20)) }

// errTaken says that a photo with the id came in meanwhile.
var errTaken = problem.New(problem.IDUsed, "A photo with this id came in a moment ago. Send the request again to see it.")

// Add keeps p with its pictures, if the club then has no more than allowed bytes;
// used is what it had before.
func Add(tx *postgres.Tx, p Photo, used, allowed int64, pictures ...Image) Photo {
	p.AddedAt, p.Version = tx.Now.Truncate(time.Microsecond), 1 // as the table keeps it
	var needed int64
	for _, i := range pictures {
		k := Kept{MediaType: i.MediaType, Width: i.Width, Height: i.Height, Bytes: int64(len(i.Data))}
		needed += k.Bytes
		if i.Size == Thumbnail {
			p.Thumbnail = k
		} else {
			p.Full = k
		}
	}
	full := NoSpace(used, needed, allowed)
	tx.Queue(`insert into photo (club_id, id, tool_id, joint_id, ordinal, caption, taken_by, added_at, received) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, p.ID, p.ToolID, p.JointID, p.Ordinal, p.Caption, p.TakenBy, p.AddedAt, p.Received).
		Refuse("photo_pkey", errTaken)
	tx.Queue(`insert into photo_space (club_id, allowed) values ($1, $2) on conflict (club_id) do update set allowed = excluded.allowed`, tx.Club, allowed).
		Refuse("photo_space_suffices", full)
	for _, i := range pictures {
		tx.Queue(`insert into photo_image (club_id, photo_id, size, media_type, width, height, hash, data) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
			tx.Club, p.ID, i.Size, i.MediaType, i.Width, i.Height, i.Hash, i.Data).
			Refuse("photo_space_suffices", full)
	}
	p.journal(tx, "photo.added", p.TakenBy)
	return p
}

// Update writes p, which is locked, as its next version.
func Update(tx *postgres.Tx, actor uuid.UUID, p Photo) Photo {
	p.Version++
	tx.Queue(`update photo set caption = $3, ordinal = $4, version = $5 where club_id = $1 and id = $2`, tx.Club, p.ID, p.Caption, p.Ordinal, p.Version)
	p.journal(tx, "photo.changed", actor)
	return p
}

// Delete removes p, which is locked, with its pictures.
func Delete(tx *postgres.Tx, actor uuid.UUID, p Photo) {
	p.Version++
	tx.Queue(`delete from photo where club_id = $1 and id = $2`, tx.Club, p.ID)
	p.journal(tx, "photo.deleted", actor)
}

// journal notes what happened to p without its caption, which may name people
// and must be erasable.
func (p Photo) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	p.Caption = ""
	journal.Append(tx, journal.Event{Type: what, Subject: p.ID, Version: p.Version, Audience: journal.ForClub, Actor: actor}, p)
}
