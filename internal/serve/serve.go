// Package serve runs the program as a server on one machine: the field and the office over one
// store in a folder.
//
// It listens on the machine itself and nowhere else, since nobody signs in yet. An address that
// others could reach is refused with the reason.
package serve

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"meterwright/internal/advice"
	"meterwright/internal/asset"
	"meterwright/internal/devicekey"
	"meterwright/internal/field"
	"meterwright/internal/office"
	"meterwright/internal/page"
	"meterwright/internal/private"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/internal/summary"
	"meterwright/internal/version"
	"meterwright/record"
	"meterwright/rules"
	"meterwright/say"
	"meterwright/say/en"
)

// Config says what to serve.
type Config struct {
	// Data is the folder of the store and of the devices' keys. It is made if it is missing.
	Data string
	// Listen is the address; see CheckAddress.
	Listen string
	// Demo loads the invented demonstration once and shows the gallery.
	Demo bool
	// People are added to those whom the store knows, each as ID=NAME.
	People []string
	// Out is told the address, as JSON when JSON is set.
	Out  io.Writer
	JSON bool
	// Log takes what went wrong inside. Nil means the standard logger.
	Log *slog.Logger
}

// Server is a server that is ready to answer.
type Server struct {
	words   *say.Language
	store   *store.Store
	handler http.Handler
	log     *slog.Logger
}

// Open opens the store and makes the pages.
func Open(ctx context.Context, c Config) (s *Server, err error) {
	log := cmp.Or(c.Log, slog.Default())
	failed := func(err error) { log.Error("meterwright", "error", err) }
	if err := os.MkdirAll(c.Data, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder for the data: %w", err)
	}
	st, err := sqlite.Open(ctx, c.Data, store.Options{Projector: &summary.Projector{}, Follow: true, Failed: failed})
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, st.Close())
		}
	}()
	pack := rules.GB()
	j, err := newJournal(st, pack)
	if err != nil {
		return nil, err
	}
	clock := newClock()
	keys := keysIn(filepath.Join(c.Data, "keys"))
	if err := markDemo(ctx, st, c); err != nil {
		return nil, err
	}
	if c.Demo {
		if err := loadDemo(ctx, st, j, pack, clock.Now()); err != nil {
			return nil, fmt.Errorf("load the demonstration: %w", err)
		}
		keys = demoKeys
	}
	if err := st.CatchUp(ctx); err != nil {
		return nil, err
	}
	hands, err := hands(ctx, st, c.People, keys)
	if err != nil {
		return nil, err
	}
	secret, err := secretIn(filepath.Join(c.Data, "secret"))
	if err != nil {
		return nil, err
	}
	words, err := en.Language()
	if err != nil {
		return nil, err
	}
	engine := "meterwright " + version.Edition
	f := field.New(field.Options{Base: "/field", Journal: j, Clock: clock, Hands: hands, Secret: secret, Engine: engine, Pack: pack, Language: words,
		Adviser: advice.New(engine), Failed: failed})

	mux := http.NewServeMux()
	mux.Handle("/assets/", http.StripPrefix("/assets/", page.Assets(field.Static(), office.Static(), asset.Files())))
	mux.Handle("/field/", f)
	mux.Handle("/office/", office.New(st, office.Options{Base: "/office", Pack: pack, Now: clock.Now, Demo: c.Demo, Failed: failed}))
	if c.Demo {
		mux.Handle("GET /gallery/", http.StripPrefix("/gallery", field.Gallery("/gallery", words)))
		mux.Handle("GET /gallery", http.RedirectHandler("/gallery/", http.StatusSeeOther))
	}
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		page.Write(w, r, http.StatusOK, home{words, c.Demo, version.Edition}.Page())
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		page.Write(w, r, http.StatusNotFound, missing{words}.Page())
	})
	guarded := http.NewCrossOriginProtection().Handler(mux)
	return &Server{words: words, store: st, handler: local(page.Secure(guarded)), log: log}, nil
}

// Close closes the store.
func (s *Server) Close() error { return s.store.Close() }

// Run serves until ctx is done.
func Run(ctx context.Context, c Config) error {
	if err := CheckAddress(c.Listen); err != nil {
		return err
	}
	s, err := Open(ctx, c)
	if err != nil {
		return err
	}
	return errors.Join(s.run(ctx, c), s.Close())
}

func (s *Server) run(ctx context.Context, c Config) error {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w: choose another port with --listen", c.Listen, err)
	}
	if err := c.tell(s.words, l.Addr()); err != nil {
		return errors.Join(err, l.Close())
	}
	if !asset.Built() && !c.JSON {
		if _, err := fmt.Fprintln(c.Out, s.words.Say("serve.no-assets")); err != nil {
			return errors.Join(err, l.Close())
		}
	}
	return s.answer(ctx, l, paces)
}

// answer answers on l until ctx is done. It returns when no answer is under way any more: what
// was being written when ctx ended is written, so that the store may be closed.
func (s *Server) answer(ctx context.Context, l net.Listener, p pace) error {
	var under sync.WaitGroup
	handler := patient(p, s.handler)
	srv := &http.Server{ReadHeaderTimeout: p.grace, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10,
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			under.Add(1)
			defer under.Done()
			handler.ServeHTTP(w, r)
		})}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	end, cancel := context.WithTimeout(context.Background(), p.leave)
	defer cancel()
	err := srv.Shutdown(end)
	if errors.Is(err, context.DeadlineExceeded) {
		// Whoever is still sending is cut off. What had arrived is answered, and kept.
		s.log.Warn("meterwright", "cut off", "requests that were still arriving when the program ended")
		err = srv.Close()
	}
	under.Wait()
	if served := <-done; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	return err
}

// tell says where the pages are.
func (c Config) tell(words *say.Language, addr net.Addr) error {
	if c.JSON {
		return json.NewEncoder(c.Out).Encode(struct {
			Address string `json:"address"`
			Data    string `json:"data"`
		}{"http://" + addr.String() + "/", c.Data})
	}
	_, err := fmt.Fprintln(c.Out, words.Say("serve.at", "address", addr, "data", c.Data))
	return err
}

// hands lists who works with this machine: those whom the store knows, and those who are named.
func hands(ctx context.Context, st *store.Store, named []string, key func(person string) (*field.Hand, error)) ([]*field.Hand, error) {
	for _, n := range named {
		id, name, ok := strings.Cut(n, "=")
		if !ok || id == "" || name == "" {
			return nil, fmt.Errorf("--person %.80q: write it like op-114=R. Quill", n)
		}
		if err := st.PutPerson(ctx, id, name); err != nil {
			return nil, err
		}
	}
	people, err := st.People(ctx)
	if err != nil {
		return nil, err
	}
	if len(people) == 0 {
		if err := st.PutPerson(ctx, "op-1", "Operative 1"); err != nil {
			return nil, err
		}
		if people, err = st.People(ctx); err != nil {
			return nil, err
		}
	}
	var out []*field.Hand
	for _, p := range people {
		if !p.Withdrawn.IsZero() {
			continue
		}
		h, err := key(p.ID)
		if err != nil {
			return nil, fmt.Errorf("device key of %s: %w", p.ID, err)
		}
		h.ID, h.Name = p.ID, p.Name
		out = append(out, h)
	}
	return out, nil
}

// keysIn gives the key of each person's device from a folder, and makes it if it is missing.
func keysIn(dir string) func(string) (*field.Hand, error) {
	return func(person string) (*field.Hand, error) {
		if err := private.Folder(dir); err != nil {
			return nil, err
		}
		if person == "" || strings.ContainsAny(person, `/\`) || strings.HasPrefix(person, ".") {
			return nil, fmt.Errorf("%.60q cannot name a file: give the person another identifier", person)
		}
		k, err := devicekey.Load(filepath.Join(dir, person+".pem"))
		return &field.Hand{Signer: k}, err
	}
}

// secretIn reads the secret from which salts are made, or makes it.
func secretIn(path string) ([]byte, error) {
	if err := private.Close(path); err != nil {
		return nil, err
	}
	b, err := os.ReadFile(path)
	switch {
	case err == nil && len(b) != 32:
		return nil, fmt.Errorf("%s has %d bytes and should have 32: remove it, and a new one is made", path, len(b))
	case !errors.Is(err, fs.ErrNotExist):
		return b, err
	}
	b = make([]byte, 32)
	_, _ = rand.Read(b) // never fails
	return b, private.Write(path, b)
}

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
