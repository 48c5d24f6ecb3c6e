package serve

import (
	"fmt"
	"net"
	"net/http"
	"strings"
)

// CheckAddress refuses an address that anybody but this machine could reach.
func CheckAddress(addr string) error {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("--listen %.80q is no address: write it like 127.0.0.1:8080", addr)
	}
	if host == "localhost" {
		return nil
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("--listen %.80q is refused: until people can sign in, whoever reaches the address could write into records, so only this machine is served: write 127.0.0.1:%s", addr, port)
}

// local answers only requests that name this machine, so that no page of another site can reach
// the program by a name that it has turned to this address.
func local(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		host = strings.Trim(host, "[]")
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			http.Error(w, "this program answers to 127.0.0.1 and localhost only", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}
