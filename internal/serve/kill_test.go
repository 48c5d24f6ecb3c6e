package serve

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"sync"
	"syscall"
	"testing"
	"time"

	"meterwright/internal/jobs/intake"
	"meterwright/internal/store"
	"meterwright/internal/store/sqlite"
	"meterwright/record"
	"meterwright/rules"
)

// childFolder names the folder over which this test program serves as a child, to be killed.
const childFolder = "MW_TEST_SERVE_FOLDER"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		err := Run(context.Background(), Config{Data: dir, Listen: "127.0.0.1:0", People: []string{"op-1=One"}, Out: os.Stdout})
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// child is a server in a process of its own.
type child struct {
	cmd *exec.Cmd
	url string
}

func startChild(t *testing.T, dir string) *child {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), childFolder+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	at := regexp.MustCompile(`http://[0-9.:]+`).FindString(line)
	if err != nil || at == "" {
		t.Fatalf("the server did not say where it is: %q %v", line, err)
	}
	go func() { _, _ = io.Copy(io.Discard, out) }()
	return &child{cmd, at}
}

// kill ends the process as a power cut of the process would: at once.
func (c *child) kill(t *testing.T) {
	t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = c.cmd.Wait()
	if how, ok := c.cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || how.Signal() != syscall.SIGKILL {
		t.Errorf("the server had ended by itself before it was killed: %v", c.cmd.ProcessState)
	}
}

// refusedError is an answer of the server that no note should get, as opposed to no answer.
type refusedError struct {
	what string
	code int
	body string
}

func (e *refusedError) Error() string { return fmt.Sprintf("%s: %d %s", e.what, e.code, e.body) }

var stateField = regexp.MustCompile(`name="state" value="([0-9a-f]{64})"`)

// noter writes notes into one visit, one after another, over servers that come and go.
type noter struct {
	job     string
	visit   string
	client  *http.Client
	pending url.Values
	acked   []string
	n       int
}

func (w *noter) get(base, path string) (string, error) {
	r, err := w.client.Get(base + path)
	if err != nil {
		return "", err
	}
	b, err := io.ReadAll(r.Body)
	return string(b), errJoin(err, r.Body.Close())
}

func errJoin(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// once begins the visit if need be, and sends one note: the one that got no answer, if there is one.
func (w *noter) once(base string) error {
	post := func(path string, values url.Values) (int, string, error) {
		r, err := w.client.PostForm(base+path, values)
		if err != nil {
			return 0, "", err
		}
		b, err := io.ReadAll(r.Body)
		return r.StatusCode, string(b), errJoin(err, r.Body.Close())
	}
	if w.n == 0 && w.pending == nil {
		code, body, err := post("/field/op-1/jobs/"+w.job+"/open", url.Values{"visit": {w.visit}})
		if err != nil {
			return err
		}
		if code != http.StatusSeeOther {
			return &refusedError{"open", code, body}
		}
	}
	if w.pending == nil {
		page, err := w.get(base, "/field/op-1/visits/"+w.visit)
		if err != nil {
			return err
		}
		m := stateField.FindStringSubmatch(page)
		if m == nil {
			return &refusedError{"no state on the page", http.StatusOK, page}
		}
		w.n++
		w.pending = url.Values{"state": {m[1]}, "kind": {"noted"}, "words": {fmt.Sprintf("note %d of %s", w.n, w.job)}}
	}
	code, body, err := post("/field/op-1/visits/"+w.visit+"/do", w.pending)
	if err != nil {
		return err
	}
	if code != http.StatusSeeOther {
		return &refusedError{"note", code, body}
	}
	w.acked = append(w.acked, w.pending.Get("words"))
	w.pending = nil
	return nil
}

// TestKilledWhileRecording kills the server in the middle of submissions, again and again. Nothing
// that was acknowledged is lost, and nothing is recorded twice, though every form that got no
// answer is sent again.
func TestKilledWhileRecording(t *testing.T) {
	kills := 30
	if os.Getenv("MW_SOAK") == "1" {
		kills = 200
	}
	dir := t.TempDir()
	st, err := sqlite.Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var rows []store.Job
	var noters []*noter
	for i := range 3 {
		j, err := dated{demoJobs(t)[i], i, time.Now()}.job(rules.GB())
		if err != nil {
			t.Fatal(err)
		}
		row, err := intake.Kept(j)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
		noters = append(noters, &noter{job: j.Reference, visit: fmt.Sprintf("019ab3f0-5c00-7a10-8b20-0123456789a%d", i),
			client: &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}})
	}
	if _, err := st.ImportJobs(t.Context(), "test", rows); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	for k := 0; k <= kills; k++ {
		c := startChild(t, dir)
		var wg sync.WaitGroup
		first := make(chan struct{}, len(noters))
		for _, w := range noters {
			wg.Go(func() {
				for i := 0; k < kills || i < 3; i++ {
					err := w.once(c.url)
					if i == 0 {
						first <- struct{}{}
					}
					if err != nil {
						// A killed server gives no answer, in whatever words the network has for it.
						var refused *refusedError
						if k == kills || errors.As(err, &refused) {
							t.Errorf("round %d: %v", k, err)
						}
						w.client.CloseIdleConnections()
						return
					}
				}
			})
		}
		if k < kills {
			// Each writer has begun; the moment within what follows is drawn.
			for range noters {
				<-first
			}
			<-time.After(time.Duration(random.IntN(30_000)) * time.Microsecond)
			c.kill(t)
		}
		wg.Wait()
		if k == kills {
			c.kill(t)
		}
	}
	st, err = sqlite.Open(t.Context(), dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := st.Audit(t.Context()); err != nil {
		t.Error(err)
	}
	total := 0
	for _, w := range noters {
		count := map[string]int{}
		for l, err := range st.Lines(t.Context(), w.visit) {
			if err != nil {
				t.Fatal(err)
			}
			e, err := record.Decode(l.Bytes)
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind == "noted" {
				count[string(e.Body)]++
			}
		}
		for _, words := range w.acked {
			if n := count[`{"words":"`+words+`"}`]; n != 1 {
				t.Errorf("%q was acknowledged, and stands in the record %d times", words, n)
			}
		}
		if len(count) > w.n {
			t.Errorf("%d notes were sent, and %d stand in the record", w.n, len(count))
		}
		for body, n := range count {
			if n > 1 {
				t.Errorf("%s stands in the record %d times", body, n)
			}
		}
		total += len(w.acked)
	}
	t.Logf("%d kills, %d notes acknowledged", kills, total)
	if total < kills {
		t.Errorf("only %d notes were acknowledged over %d kills: too few to mean anything", total, kills)
	}
}
