package api

import (
	"errors"

	"github.com/labstack/echo/v4"
)

var errPending = errors.New("pending")

func (s *Server) CalcCleanUp(ctx echo.Context) error     { return errPending }
func (s *Server) CalcFit(ctx echo.Context) error         { return errPending }
func (s *Server) CalcLimits(ctx echo.Context) error      { return errPending }
func (s *Server) CalcUncertainty(ctx echo.Context) error { return errPending }
func (s *Server) GetOffers(ctx echo.Context, club InClub, recommendation InRecommendation) error {
	return errPending
}
