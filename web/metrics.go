package web

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are read from bench, store and hub at the moment they are asked for: nothing is counted
// twice and nothing costs while nobody asks.
type metrics struct {
	bench   Bench
	store   Store
	hub     *hub
	handler http.Handler

	info, mode, runOpen                            *prometheus.Desc // program and bench
	samples, lost, garbled, duplicate, rate        *prometheus.Desc // instruments
	viewers, skipped                               *prometheus.Desc // live sockets
	storeOK, stored, queued, queueLimit            *prometheus.Desc // store
	storeLostSamples, storeLostMarks, storeCommits *prometheus.Desc
}

func newMetrics(b Bench, st Store, h *hub, version string) *metrics {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("letthrough_"+name, help, labels, nil)
	}
	m := &metrics{
		bench: b, store: st, hub: h,
		info:      prometheus.NewDesc("letthrough_build_info", "1, with the program's version.", nil, prometheus.Labels{"version": version}),
		mode:      desc("bench_mode", "1 for what the bench is doing.", "mode"),
		samples:   desc("samples_total", "Samples received.", "instrument", "quantity"),
		lost:      desc("lost_samples_total", "Samples that an instrument sent and nobody could keep, or that never arrived.", "instrument"),
		garbled:   desc("garbled_total", "Lines or frames that were no reading.", "instrument"),
		duplicate: desc("duplicate_total", "Readings received twice.", "instrument"),
		rate:      desc("rate_hertz", "Readings a second at present.", "instrument"),
		viewers:   desc("viewers", "Live sockets open."),
		skipped:   desc("viewer_skipped_messages_total", "Trace messages left out for viewers that lagged."),

		runOpen:          desc("run_open", "1 while a run is open."),
		storeOK:          desc("store_ok", "1 while storing works."),
		stored:           desc("store_samples_total", "Samples committed to the database."),
		queued:           desc("store_queue_samples", "Samples waiting for the database."),
		queueLimit:       desc("store_queue_limit_samples", "Samples that may wait for the database."),
		storeLostSamples: desc("store_lost_samples_total", "Samples that could not be stored."),
		storeLostMarks:   desc("store_lost_marks_total", "Marks that could not be stored."),
		storeCommits:     desc("store_commits_total", "Transactions committed."),
	}
	reg := prometheus.NewRegistry() // not the default one, which brings in whatever is linked
	reg.MustRegister(m)
	m.handler = promhttp.HandlerFor(reg, promhttp.HandlerOpts{})
	return m
}

// Describe sends nothing: which instruments there are changes while the program runs.
func (m *metrics) Describe(chan<- *prometheus.Desc) {}

// Collect reads everything once.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, v uint64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	st := m.bench.State()
	gauge(m.info, 1)
	gauge(m.mode, 1, string(st.Bench))
	gauge(m.runOpen, oneIf(st.Run != nil))
	for _, in := range st.Instruments {
		for _, l := range in.Latest {
			count(m.samples, l.Samples, in.Name, l.Quantity.String())
		}
		count(m.lost, in.Lost, in.Name)
		count(m.garbled, in.Garbled, in.Name)
		count(m.duplicate, in.Duplicate, in.Name)
		gauge(m.rate, in.RateHz, in.Name)
	}
	gauge(m.viewers, float64(m.hub.count.Load()))
	count(m.skipped, m.hub.skipped.Load())
	h := m.store.Health()
	gauge(m.storeOK, oneIf(h.OK))
	count(m.stored, h.Samples)
	gauge(m.queued, float64(h.QueuedSamples))
	gauge(m.queueLimit, float64(h.QueueLimit))
	count(m.storeLostSamples, h.LostSamples)
	count(m.storeLostMarks, h.LostMarks)
	count(m.storeCommits, h.Commits)
}

func oneIf(is bool) float64 {
	if is {
		return 1
	}
	return 0
}
