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
func (s *Server) GetAvailability(ctx echo.Context, club InClub, params GetAvailabilityParams) error {
	return errPending
}
func (s *Server) GetFeature(ctx echo.Context, club InClub, feature InFeature, params GetFeatureParams) error {
	return errPending
}
func (s *Server) ListJointTemplates(ctx echo.Context, club InClub, params ListJointTemplatesParams) error {
	return errPending
}
func (s *Server) CreateJointTemplate(ctx echo.Context, club InClub, params CreateJointTemplateParams) error {
	return errPending
}
func (s *Server) GetJointTemplate(ctx echo.Context, club InClub, jointTemplate InJointTemplate, params GetJointTemplateParams) error {
	return errPending
}
func (s *Server) GetJoint(ctx echo.Context, club InClub, joint InJoint, params GetJointParams) error {
	return errPending
}
func (s *Server) PatchJoint(ctx echo.Context, club InClub, joint InJoint, params PatchJointParams) error {
	return errPending
}
func (s *Server) ListFeatures(ctx echo.Context, club InClub, joint InJoint) error { return errPending }
func (s *Server) ListPinSeries(ctx echo.Context, club InClub, params ListPinSeriesParams) error {
	return errPending
}
func (s *Server) CreatePinSeries(ctx echo.Context, club InClub, params CreatePinSeriesParams) error {
	return errPending
}
func (s *Server) GetPinSeries(ctx echo.Context, club InClub, pinSeries InPinSeries, params GetPinSeriesParams) error {
	return errPending
}
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
func (s *Server) GetOffers(ctx echo.Context, club InClub, recommendation InRecommendation) error {
	return errPending
}
func (s *Server) ListReservations(ctx echo.Context, club InClub, params ListReservationsParams) error {
	return errPending
}
func (s *Server) CreateReservation(ctx echo.Context, club InClub, params CreateReservationParams) error {
	return errPending
}
func (s *Server) GetReservation(ctx echo.Context, club InClub, reservation InReservation, params GetReservationParams) error {
	return errPending
}
func (s *Server) CancelReservation(ctx echo.Context, club InClub, reservation InReservation, params CancelReservationParams) error {
	return errPending
}
func (s *Server) ListVehicles(ctx echo.Context, club InClub, params ListVehiclesParams) error {
	return errPending
}
func (s *Server) CreateVehicle(ctx echo.Context, club InClub, params CreateVehicleParams) error {
	return errPending
}
func (s *Server) GetVehicle(ctx echo.Context, club InClub, vehicle InVehicle, params GetVehicleParams) error {
	return errPending
}
func (s *Server) PatchVehicle(ctx echo.Context, club InClub, vehicle InVehicle, params PatchVehicleParams) error {
	return errPending
}
func (s *Server) ListJoints(ctx echo.Context, club InClub, vehicle InVehicle, params ListJointsParams) error {
	return errPending
}
func (s *Server) CreateJoints(ctx echo.Context, club InClub, vehicle InVehicle, params CreateJointsParams) error {
	return errPending
}
