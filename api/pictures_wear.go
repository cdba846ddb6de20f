package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/vehicle"
	"pinwright/internal/wear"
)

// GetJointTrendPicture implements the contract.
func (s *Server) GetJointTrendPicture(c echo.Context, _ InClub, joint InJoint, params GetJointTrendPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		joints := vehicle.FindJoint(b, postgres.ParseRef(joint))
		known := wear.Queue(b, postgres.ParseRef(joint))
		return func() (answer, error) {
			j, err := jointInPath(joints, joint)
			if err != nil {
				return answer{}, err
			}
			t, err := s.jointTrend(in, known, j, GetJointTrendParams{Over: (*GetJointTrendParamsOver)(params.Over), Limit: params.Limit, Feature: params.Feature,
				AfterRepair: (*GetJointTrendParamsAfterRepair)(params.AfterRepair), Scale: params.Scale})
			if err != nil {
				return answer{}, err
			}
			out := jointTrendOut(t, in.caller.Units)
			drawing := trendDrawing("Clearance of "+j.Position, out.Trend)
			drawing.Summary = out.Summary
			return drawnInClub(drawing.SVG(schemeOf(params.Scheme))), nil
		}
	})
}

// GetToolChartPicture implements the contract.
func (s *Server) GetToolChartPicture(c echo.Context, _ InClub, name InTool, params GetToolChartPictureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		read := queueToolChart(b, name)
		return func() (answer, error) {
			t, _, out, err := read(in.caller.Units)
			if err != nil {
				return answer{}, err
			}
			drawing := chartDrawing("Calibrations of "+t.Number, in.caller.Units, out.Chart)
			drawing.Summary = out.Summary
			return drawnInClub(drawing.SVG(schemeOf(params.Scheme))), nil
		}
	})
}
