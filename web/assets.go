package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
)

// chartLibrary is the one asset that may be missing: it is bundled at build time from a lock file.
const chartLibrary = "dist/echarts.min.js"

// assets are the embedded styles, scripts and the bundle, read once and compressed once asked for.
// Their address holds the hash of them all: a browser may keep them for ever, a new build has new
// addresses, and modules that import each other by relative paths stay within one build.
type assets struct {
	hash  string
	files map[string]asset
}

type asset struct {
	kind  string // content type
	etag  string
	plain []byte
	gz    func() []byte // compressed at the first call; empty where that saves nothing
}

// assetKinds are stated here because the machine's own table of types may say anything or nothing.
var assetKinds = map[string]string{
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
	".png":  "image/png",
	".json": "application/json",
	".ico":  "image/x-icon",
}

func loadAssets(files fs.FS) (*assets, error) {
	a := &assets{files: map[string]asset{}}
	whole := sha256.New()
	for _, dir := range []string{"styles", "scripts", "dist"} {
		err := fs.WalkDir(files, dir, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.HasPrefix(path.Base(name), ".") {
				return err
			}
			b, err := fs.ReadFile(files, name)
			if err != nil {
				return err
			}
			if path.Ext(name) == ".js" && dir == "scripts" {
				b = withoutComments(b)
			}
			sum := sha256.Sum256(b)
			fmt.Fprintf(whole, "%s %x\n", name, sum)
			a.files[name] = asset{assetKind(name), `"` + hex.EncodeToString(sum[:12]) + `"`, b,
				sync.OnceValue(func() []byte { return compressed(b) })}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("read assets: %w", err)
		}
	}
	a.hash = hex.EncodeToString(whole.Sum(nil)[:8])
	return a, nil
}

// withoutComments leaves out the lines of a script that are nothing but comment, and empty ones: a quarter of what
// would be sent. A line that also holds code stays as it is.
func withoutComments(script []byte) []byte {
	out := make([]byte, 0, len(script))
	block := false
	for line := range bytes.Lines(script) {
		t := bytes.TrimSpace(line)
		switch {
		case block:
			block = !bytes.HasSuffix(t, []byte("*/"))
			continue
		case len(t) == 0 || bytes.HasPrefix(t, []byte("//")):
			continue
		case bytes.HasPrefix(t, []byte("/*")):
			end := bytes.Index(t, []byte("*/"))
			if block = end < 0; block || end == len(t)-2 {
				continue
			}
		}
		out = append(out, line...)
	}
	return out
}

func assetKind(name string) string {
	ext := path.Ext(name)
	if kind := assetKinds[ext]; kind != "" {
		return kind
	}
	if kind := mime.TypeByExtension(ext); kind != "" {
		return kind
	}
	return "application/octet-stream"
}

func compressed(b []byte) []byte {
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		return nil
	}
	if _, err = z.Write(b); err == nil {
		err = z.Close()
	}
	if err != nil || out.Len() > len(b)*9/10 {
		return nil
	}
	return out.Bytes()
}

// asset gives the address of an asset: s.asset("styles/letthrough.css").
func (s *Server) asset(name string) string { return "/assets/" + s.assets.hash + "/" + name }

// chartMissing tells that the chart library was not bundled into this build.
func (s *Server) chartMissing() bool {
	_, ok := s.assets.files[chartLibrary]
	return !ok
}

// getAsset serves /assets/HASH/NAME, kept for ever, and /assets/NAME, asked for anew each time.
func (s *Server) getAsset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("path")
	rest, hashed := strings.CutPrefix(name, s.assets.hash+"/")
	if hashed {
		name = rest
	}
	a, ok := s.assets.files[name]
	switch {
	case !ok && (name == chartLibrary || strings.HasSuffix(name, "/"+chartLibrary)) && s.chartMissing():
		s.writeErr(w, r, &fault{http.StatusServiceUnavailable, codeUnavailable,
			"the chart library is not part of this build", "run make assets, build again and restart"})
		return
	case !ok:
		s.writeErr(w, r, notFound("there is no asset %q", clip(name)))
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("ETag", a.etag)
	h.Set("Vary", "Accept-Encoding")
	h.Set("Cache-Control", "no-cache")
	if hashed {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	if match := r.Header.Get("If-None-Match"); strings.Contains(match, a.etag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := a.plain
	if acceptsGzip(r) {
		if z := a.gz(); len(z) > 0 {
			h.Set("Content-Encoding", "gzip")
			body = z
		}
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	w.WriteHeader(http.StatusOK)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body)
	}
}

func acceptsGzip(r *http.Request) bool {
	for _, part := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") && strings.ReplaceAll(q, " ", "") != "q=0" {
			return true
		}
	}
	return false
}
