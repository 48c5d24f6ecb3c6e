package serve

import (
	"bufio"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// started answers with a handler at a pace, and returns the address, what ends it, and how it ended.
func started(t *testing.T, p pace, h http.HandlerFunc) (addr string, end context.CancelFunc, ended chan error) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	s := &Server{handler: h, log: slog.New(slog.DiscardHandler)}
	ended = make(chan error, 1)
	go func() { ended <- s.answer(ctx, l, p) }()
	return l.Addr().String(), cancel, ended
}

// dial opens a connection that fails the test rather than hang for ever.
func dial(t *testing.T, addr, send string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	if err := c.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, send); err != nil {
		t.Fatal(err)
	}
	return c
}

const head = "POST / HTTP/1.1\r\nHost: 127.0.0.1\r\n"

// TestSlowRequests: a body that stops, one that comes byte by byte, one without an end, and one that
// no handler reads all come to an end, and the connection with them.
func TestSlowRequests(t *testing.T) {
	read := make(chan error, 1)
	reads := func(_ http.ResponseWriter, r *http.Request) {
		_, err := io.Copy(io.Discard, r.Body)
		read <- err
	}
	long := pace{grace: time.Hour, rate: 1, body: 1 << 20, leave: time.Minute}
	quick := pace{grace: 50 * time.Millisecond, rate: 1 << 20, body: 1 << 20, leave: time.Minute}
	for name, c := range map[string]struct {
		pace    pace
		handler http.HandlerFunc
		send    string
		goOn    func(net.Conn)
	}{
		"stops": {quick, reads, head + "Content-Length: 100\r\n\r\nx", nil},
		"drips": {quick, reads, head + "Content-Length: 100000\r\n\r\n", func(c net.Conn) {
			for tick := time.NewTicker(5 * time.Millisecond); ; <-tick.C {
				if _, err := c.Write([]byte("x")); err != nil {
					return
				}
			}
		}},
		"endless": {long, reads, head + "Transfer-Encoding: chunked\r\n\r\n", func(c net.Conn) {
			for chunk := "1000\r\n" + strings.Repeat("x", 0x1000) + "\r\n"; ; {
				if _, err := io.WriteString(c, chunk); err != nil {
					return
				}
			}
		}},
		"is not read": {quick, func(http.ResponseWriter, *http.Request) { read <- io.ErrUnexpectedEOF }, head + "Content-Length: 100\r\n\r\nx", nil},
	} {
		t.Run(name, func(t *testing.T) {
			addr, end, ended := started(t, c.pace, c.handler)
			conn := dial(t, addr, c.send)
			if c.goOn != nil {
				go c.goOn(conn)
			}
			if _, err := io.Copy(io.Discard, conn); errors.Is(err, context.DeadlineExceeded) || err != nil && strings.Contains(err.Error(), "i/o timeout") {
				t.Errorf("the connection stays open: %v", err)
			}
			if err := <-read; err == nil {
				t.Error("the handler was told that the body is whole")
			}
			end()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		})
	}
}

// TestBodyAtAPace: a body that comes at the rate asked for is read to its end, longer than the grace
// though it takes, and the handler is then left alone.
func TestBodyAtAPace(t *testing.T) {
	p := pace{grace: 50 * time.Millisecond, rate: 1, body: 1 << 20, leave: time.Minute}
	addr, end, ended := started(t, p, func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		after := time.NewTimer(4 * p.grace)
		select {
		case <-after.C: // an answer that takes longer than the grace
		case <-r.Context().Done():
			err = errors.Join(err, r.Context().Err())
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusTeapot)
		}
		_, _ = w.Write(b)
	})
	c := dial(t, addr, head+"Content-Length: 6\r\n\r\nab")
	tick := time.NewTicker(2 * p.grace)
	for _, part := range []string{"cd", "ef"} {
		<-tick.C
		if _, err := io.WriteString(c, part); err != nil {
			t.Fatal(err)
		}
	}
	r, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(r.Body)
	if err := errors.Join(err, r.Body.Close()); err != nil || string(b) != "abcdef" {
		t.Errorf("%q, %v", b, err)
	}
	end()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// TestHandlerIsLeftAlone: once a body is read to its end, its deadline does not end what the handler
// does with it.
func TestHandlerIsLeftAlone(t *testing.T) {
	p := pace{grace: 300 * time.Millisecond, rate: 1 << 20, body: 1 << 20, leave: time.Minute}
	given := make(chan error, 1)
	addr, end, ended := started(t, p, func(_ http.ResponseWriter, r *http.Request) {
		if _, err := io.ReadAll(r.Body); err != nil {
			given <- err
			return
		}
		select {
		case <-time.After(2 * p.grace):
			given <- nil
		case <-r.Context().Done():
			given <- r.Context().Err()
		}
	})
	dial(t, addr, head+"Content-Length: 6\r\n\r\nabcdef")
	if err := <-given; err != nil {
		t.Errorf("the handler was given up: %v", err)
	}
	end()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// TestAnswerNobodyTakes: an answer that is not taken in comes to an end.
func TestAnswerNobodyTakes(t *testing.T) {
	gone := make(chan error, 1)
	addr, end, ended := started(t, pace{grace: 50 * time.Millisecond, rate: 1, body: 1, leave: time.Minute}, func(w http.ResponseWriter, _ *http.Request) {
		for {
			if _, err := w.Write(make([]byte, 1<<20)); err != nil {
				gone <- err
				return
			}
		}
	})
	dial(t, addr, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	select {
	case <-gone:
	case <-time.After(30 * time.Second):
		t.Error("the answer goes on for ever")
	}
	end()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// TestEndsWhenWritten: told to end, the server answers what it is about to write, cuts off who still
// sends, and returns without an error only when no handler runs any more.
func TestEndsWhenWritten(t *testing.T) {
	inside, goOn := make(chan bool, 2), make(chan bool)
	written := make(chan bool, 1)
	addr, end, ended := started(t, pace{grace: time.Hour, rate: 1, body: 1 << 20, leave: 100 * time.Millisecond}, func(w http.ResponseWriter, r *http.Request) {
		inside <- true
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			return
		}
		<-goOn
		written <- true
	})
	dial(t, addr, head+"Content-Length: 0\r\n\r\n")
	dial(t, addr, head+"Content-Length: 100\r\n\r\nx")
	<-inside
	<-inside
	end()
	select {
	case err := <-ended:
		t.Fatalf("it ended while it was writing: %v", err)
	case <-time.After(400 * time.Millisecond): // longer than it waits before it cuts off
	}
	goOn <- true
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if len(written) != 1 {
		t.Error("what was being written was not finished")
	}
}
