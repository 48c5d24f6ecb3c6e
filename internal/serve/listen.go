package serve

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"meterwright/record"
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

// A pace says how slowly somebody may send a request or take in an answer.
type pace struct {
	grace time.Duration // for a request's head, for a body to begin, and for each part of an answer
	rate  int64         // bytes of a body in a second, at least
	body  int64         // bytes of a body, at most
	leave time.Duration // for answers that are under way when the program ends
}

// paces leave room for the largest photograph over a poor connection.
var paces = pace{grace: 15 * time.Second, rate: 64 << 10, body: record.MaxAttachment + 2<<20, leave: 5 * time.Second}

// patient ends requests whose body comes too slowly or has no end, and answers that nobody takes
// in. A body that comes byte by byte is given the grace and no more.
func patient(p pace, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		control := http.NewResponseController(w)
		if r.Body != nil && r.Body != http.NoBody {
			// For a body that the handler does not read, and the server throws away.
			_ = control.SetReadDeadline(time.Now().Add(p.grace))
			r.Body = http.MaxBytesReader(w, &slowBody{ReadCloser: r.Body, control: control, pace: p, begun: time.Now()}, p.body)
		}
		next.ServeHTTP(&slowAnswer{w, control, p}, r)
	})
}

// slowBody gives each read until the time that what has come so far deserves.
type slowBody struct {
	io.ReadCloser
	control *http.ResponseController
	pace    pace
	begun   time.Time
	come    int64
}

func (b *slowBody) Read(into []byte) (int, error) {
	until := b.begun.Add(b.pace.grace + time.Duration(b.come*int64(time.Second)/b.pace.rate))
	if err := b.control.SetReadDeadline(until); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	n, err := b.ReadCloser.Read(into)
	b.come += int64(n)
	return n, err // At the end of a body the server itself lifts the deadline.
}

// slowAnswer gives each part of an answer its time.
type slowAnswer struct {
	http.ResponseWriter
	control *http.ResponseController
	pace    pace
}

func (a *slowAnswer) Write(b []byte) (int, error) {
	if err := a.control.SetWriteDeadline(time.Now().Add(a.pace.grace)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return a.ResponseWriter.Write(b)
}

// Unwrap lets a handler's own control reach the connection.
func (a *slowAnswer) Unwrap() http.ResponseWriter { return a.ResponseWriter }
