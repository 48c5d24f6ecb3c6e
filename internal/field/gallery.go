package field

import "net/http"

// Gallery is written in its own file below.
func Gallery(w http.ResponseWriter, r *http.Request) { http.NotFound(w, r) }
