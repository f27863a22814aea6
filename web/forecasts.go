package web

import (
	"context"
	"net/http"
	"strconv"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

// forecastOut is a forecast as it is answered, with what it comes to.
type forecastOut struct {
	store.Forecast
	Text string `json:"text"`
}

func outOf(f store.Forecast) forecastOut {
	out := forecastOut{Forecast: f}
	if p := pointsOf(f); len(p) == 2 {
		if e, err := rig.FromTwoLoads(p[0], p[1]); err == nil {
			out.Text = e.Say()
		}
	}
	return out
}

// newestForecast is the newest one of a unit; nil: there is none.
func (s *Server) newestForecast(ctx context.Context, u trace.Unit) (*store.Forecast, error) {
	if u.ID == 0 {
		return nil, nil
	}
	all, err := s.store.Forecasts(ctx, u.ID)
	if err != nil || len(all) == 0 || len(all[0].Loads) != 2 {
		return nil, err
	}
	return &all[0], nil
}

func (s *Server) getForecasts(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	if _, err := s.store.Unit(r.Context(), id); err != nil {
		return err
	}
	all, err := s.store.Forecasts(r.Context(), id)
	if err != nil {
		return err
	}
	out := []forecastOut{}
	for _, f := range all {
		out = append(out, outOf(f))
	}
	s.writeJSON(w, r, http.StatusOK, map[string][]forecastOut{"forecasts": out})
	return nil
}

// postForecast keeps what two harmless loads showed. Loads that no line can be drawn through are refused.
func (s *Server) postForecast(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	var in struct {
		Loads []store.ForecastLoad `json:"loads"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	f := store.Forecast{UnitID: id, Loads: in.Loads}
	if p := pointsOf(f); len(p) == 2 {
		if _, err := rig.FromTwoLoads(p[0], p[1]); err != nil {
			return outOfRange("", "%s", err)
		}
	}
	if f, err = s.store.AddForecast(r.Context(), f); err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusCreated, outOf(f))
	return nil
}

func (s *Server) deleteForecast(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	number, err := strconv.ParseInt(r.PathValue("forecast"), 10, 64)
	if err != nil || number < 1 {
		return notFound("unit %d has no forecast %q", id, clip(r.PathValue("forecast")))
	}
	if err := s.store.RemoveForecast(r.Context(), id, number); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
