package client_test

import (
	"bytes"
	"context"
	"image"
	"image/png"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/api"
	"pinwright/api/client"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// TestGeneratedClientSpeaksToTheService walks a stranger's first steps with the
// generated client alone: over the wire, with typed requests and answers.
func TestGeneratedClientSpeaksToTheService(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{Slug: "hollow-lane", Name: "Hollow Lane Garages",
		Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Odile Farrow"}, time.Now().UTC())
	if err != nil {
		t.Fatal(err)
	}
	server, err := api.New(api.Options{Pool: db.App, Log: slog.New(slog.NewJSONHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(server.Handler())
	t.Cleanup(web.Close)
	c, err := client.NewClientWithResponses(web.URL, client.WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+club.Secret.Reveal())
		return nil
	}))
	if err != nil {
		t.Fatal(err)
	}
	key := uuid.Must(uuid.NewV7()).String()
	body := client.GarageIn{Code: "north", Name: "North Yard", TimeZone: "Europe/Lisbon"}
	for range 2 { // the second is the replay of the first
		made, err := c.CreateGarageWithResponse(t.Context(), "hollow-lane", &client.CreateGarageParams{IdempotencyKey: key}, body)
		if err != nil {
			t.Fatal(err)
		}
		if made.JSON201 == nil || made.JSON201.Opens != "08:00" {
			t.Fatalf("%s: %s", made.Status(), made.Body)
		}
	}
	list, err := c.ListGaragesWithResponse(t.Context(), "hollow-lane", &client.ListGaragesParams{})
	if err != nil {
		t.Fatal(err)
	}
	if list.JSON200 == nil || len(list.JSON200.Items) != 1 || list.JSON200.Items[0].Code != "north" {
		t.Errorf("%s: %s", list.Status(), list.Body)
	}
	photographed(t, c)
	refused, err := c.GetGarageWithResponse(t.Context(), "hollow-lane", "nowhere", &client.GetGarageParams{})
	if err != nil {
		t.Fatal(err)
	}
	if refused.ApplicationproblemJSON404 == nil || refused.ApplicationproblemJSON404.Type != "/problems/not-found" {
		t.Errorf("%s: %s", refused.Status(), refused.Body)
	}
}

// photographed adds a photo of a tool and fetches its thumbnail: bodies that are
// no JSON.
func photographed(t *testing.T, c *client.ClientWithResponses) {
	t.Helper()
	ctx, key := t.Context(), func() string { return uuid.Must(uuid.NewV7()).String() }
	model, err := c.CreateToolModelWithResponse(ctx, "hollow-lane", &client.CreateToolModelParams{IdempotencyKey: key()}, client.ToolModelIn{Code: "press", Name: "Press", Kind: "press"})
	if err != nil || model.JSON201 == nil {
		t.Fatalf("%v %s", err, model.Body)
	}
	tool, err := c.CreateToolWithResponse(ctx, "hollow-lane", &client.CreateToolParams{IdempotencyKey: key()}, client.ToolIn{Number: "P1", Model: "press", Garage: "north"})
	if err != nil || tool.JSON201 == nil {
		t.Fatalf("%v %s", err, tool.Body)
	}
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 640, 480))); err != nil {
		t.Fatal(err)
	}
	made, err := c.CreateToolPhotoWithBodyWithResponse(ctx, "hollow-lane", "P1", &client.CreateToolPhotoParams{Id: uuid.Must(uuid.NewV7())}, "image/png", &picture)
	if err != nil || made.JSON201 == nil {
		t.Fatalf("%v %s", err, made.Body)
	}
	size := client.Thumbnail
	shown, err := c.GetPhotoImageWithResponse(ctx, "hollow-lane", made.JSON201.Id, &client.GetPhotoImageParams{Size: &size})
	if err != nil {
		t.Fatal(err)
	}
	small, err := png.Decode(bytes.NewReader(shown.Body))
	if err != nil || small.Bounds().Dx() != 320 || small.Bounds().Dy() != 240 {
		t.Errorf("%v: %s %v", err, shown.Status(), shown.HTTPResponse.Header)
	}
}
