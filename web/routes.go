package web

import (
	"net/http"

	"letthrough/capture/trace"
)

// routes registers everything that answers. The pages register themselves.
func (s *Server) routes() {
	api := func(pattern string, h func(w http.ResponseWriter, r *http.Request) error) {
		s.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := h(w, r); err != nil {
				s.writeErr(w, r, err)
			}
		})
	}
	api("GET /api/state", s.getState)
	api("POST /api/arm", s.postArm)
	api("POST /api/disarm", s.postDisarm)
	api("POST /api/extend", s.postExtend)
	api("POST /api/end", s.postEnd)
	api("POST /api/mark", s.postMark)
	api("GET /api/contact", s.getContact)
	api("POST /api/contact", s.postContact)
	api("PUT /api/contact", s.putContact)
	api("DELETE /api/contact", s.deleteContact)
	api("GET /api/series", s.getAllSeries)
	api("POST /api/series", s.postSeries)
	api("GET /api/series/{id}", s.getSeries)
	api("GET /api/cautions", s.getCautions)
	api("POST /api/cautions", s.postCautions)
	api("POST /api/readings", s.postReading)
	api("DELETE /api/readings", s.deleteReading)
	api("GET /api/instruments", s.getInstruments)
	api("POST /api/instruments", s.postInstrument)
	api("GET /api/instruments/{name}", s.getInstrument)
	api("GET /api/judge", s.getJudge)
	api("PUT /api/instruments/{name}", s.putInstrument)
	api("DELETE /api/instruments/{name}", s.deleteInstrument)
	api("POST /api/instruments/{name}/calibrations", s.postCalibration)
	api("DELETE /api/instruments/{name}/calibrations/{quantity}", s.deleteCalibration)
	api("GET /api/ports", s.getPorts)

	api("GET /api/units", s.getUnits)
	api("POST /api/units", s.postUnit)
	api("GET /api/units/{id}", s.getUnit)
	api("PUT /api/units/{id}", s.putUnit)
	api("DELETE /api/units/{id}", s.deleteUnit)
	api("GET /api/units/{id}/verdict", s.getVerdict)
	api("GET /api/units/{id}/assessment", s.getAnalysis)
	api("POST /api/units/{id}/remarks", s.postRemark)
	api("DELETE /api/units/{id}/remarks/{remark}", s.deleteRemark)

	shelfRoutes(s, api, "loads", "load", s.store.Loads(), func(l *trace.Load) *int64 { return &l.ID })
	shelfRoutes(s, api, "rigs", "rig", s.store.Rigs(), func(r *trace.Rig) *int64 { return &r.ID })
	s.rigRoutes(api)
	shelfRoutes(s, api, "criteria", "set of criteria", s.store.Criteria(), func(c *trace.CriteriaSet) *int64 { return &c.ID })

	api("GET /api/runs", s.getRuns)
	api("GET /api/runs/{id}", s.getRun)
	api("PATCH /api/runs/{id}", s.patchRun)
	api("DELETE /api/runs/{id}", s.deleteRun)
	api("POST /api/runs/{id}/exclude", s.postExclude)
	api("POST /api/runs/{id}/include", s.postInclude)
	api("POST /api/runs/{id}/derive", s.postDerive)
	api("POST /api/runs/{id}/derivations/{derivation}", s.postChoose)
	api("POST /api/runs/{id}/marks", s.postMarks)
	api("DELETE /api/runs/{id}/marks/{edit}", s.deleteEdit)
	api("GET /api/runs/{id}/used", s.getUsed)
	api("GET /api/runs/{id}/samples", s.getSamples)
	api("GET /api/runs/{id}/survival", s.getSurvival)
	api("GET /api/runs/{id}/export", s.getExport)
	api("GET /api/report", s.getReport)
	api("GET /api/plan", s.getPlan)
	api("GET /api/runs/{id}/characteristic", s.getCharacteristic)
	api("POST /api/import", s.postImport)
	api("GET /api/backup", s.getBackup)
	api("GET /api/compare", s.getCompare)

	api("GET /live", s.getLive)
	s.mux.HandleFunc("GET /healthz", s.getHealth)
	s.mux.Handle("GET /metrics", s.metrics.handler)
	s.mux.HandleFunc("GET /assets/{path...}", s.getAsset)
	s.mux.HandleFunc("GET /help/{$}", s.getHelpList)
	s.mux.HandleFunc("GET /help/{name}", s.getHelp)
	s.mux.HandleFunc("GET /login", s.getLogin)
	s.mux.HandleFunc("POST /login", s.postLogin)
	s.mux.HandleFunc("POST /logout", s.postLogout)
	s.pageRoutes(s.mux)
}

// getHealth says that the program runs and answers. How the store and the instruments fare is told
// by the state and the metrics: a full disk must not make a supervisor end a running test.
func (s *Server) getHealth(w http.ResponseWriter, r *http.Request) {
	s.writeJSON(w, r, http.StatusOK, struct {
		Status string `json:"status"`
	}{"ok"})
}
