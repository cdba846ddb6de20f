package api

import (
	"errors"

	"github.com/labstack/echo/v4"
)

var errPending = errors.New("pending")

func (s *Server) ListReadings(ctx echo.Context, club InClub, params ListReadingsParams) error {
	return errPending
}
func (s *Server) CreateReadings(ctx echo.Context, club InClub, params CreateReadingsParams) error {
	return errPending
}
func (s *Server) GetReading(ctx echo.Context, club InClub, reading InReading, params GetReadingParams) error {
	return errPending
}
func (s *Server) ReplaceReading(ctx echo.Context, club InClub, reading InReading, params ReplaceReadingParams) error {
	return errPending
}
func (s *Server) VoidReading(ctx echo.Context, club InClub, reading InReading, params VoidReadingParams) error {
	return errPending
}
