package web

import (
	"net/http"
	"strconv"

	"letthrough/store"
)

// shelfRoutes registers what may be done with named things of one kind: list, add, look at, change, remove.
// A list is an object with the kind's name; a change puts the whole thing anew.
func shelfRoutes[T any](s *Server, api func(pattern string, h func(http.ResponseWriter, *http.Request) error), plural, one string, shelf *store.Shelf[T], id func(*T) *int64) {
	path := "/api/" + plural
	api("GET "+path, func(w http.ResponseWriter, r *http.Request) error {
		if _, err := query(r); err != nil {
			return err
		}
		all, err := shelf.All(r.Context())
		if err != nil {
			return err
		}
		s.writeJSON(w, r, http.StatusOK, map[string][]T{plural: orNone(all)})
		return nil
	})
	api("POST "+path, func(w http.ResponseWriter, r *http.Request) error {
		var v T
		if err := readJSON(w, r, &v); err != nil {
			return err
		}
		v, err := shelf.Add(r.Context(), v)
		if err != nil {
			return err
		}
		w.Header().Set("Location", path+"/"+strconv.FormatInt(*id(&v), 10))
		s.writeJSON(w, r, http.StatusCreated, v)
		return nil
	})
	each := func(pattern string, h func(w http.ResponseWriter, r *http.Request, number int64) error) {
		api(pattern+" "+path+"/{id}", func(w http.ResponseWriter, r *http.Request) error {
			number, err := idOf(r, one)
			if err != nil {
				return err
			}
			return h(w, r, number)
		})
	}
	each("GET", func(w http.ResponseWriter, r *http.Request, number int64) error {
		v, err := shelf.Find(r.Context(), number)
		if err == nil {
			s.writeJSON(w, r, http.StatusOK, v)
		}
		return err
	})
	each("PUT", func(w http.ResponseWriter, r *http.Request, number int64) error {
		var v T
		if err := readJSON(w, r, &v); err != nil {
			return err
		}
		if in := id(&v); *in != 0 && *in != number {
			return outOfRange("leave it out", "id: %d in the body is not the %d of the address", *in, number)
		}
		*id(&v) = number
		v, err := shelf.Change(r.Context(), v)
		if err == nil {
			s.writeJSON(w, r, http.StatusOK, v)
		}
		return err
	})
	each("DELETE", func(w http.ResponseWriter, r *http.Request, number int64) error {
		if err := shelf.Remove(r.Context(), number); err != nil {
			return err
		}
		w.WriteHeader(http.StatusNoContent)
		return nil
	})
}
