package api

import "github.com/labstack/echo/v4"

func (s *Server) pages(e *echo.Echo) {}
