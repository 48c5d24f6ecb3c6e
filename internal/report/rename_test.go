package report_test

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	json "encoding/json/v2"
	"fmt"
	"math/rand/v2"
	"strings"

	"meterwright/method"
	"meterwright/record"
)

// newNames maps the old ids of each list of a method to new ones, for the tests that hold that
// nothing depends on an id.
type newNames struct {
	Steps, Fields, Stops, Phases, Facts, Proofs, Protection map[string]string
}

// drawNames draws new names for every id of a resolved method.
func drawNames(r *method.Resolved, seed uint64) *newNames {
	rng := rand.New(rand.NewPCG(seed, 0))
	taken := map[string]bool{}
	draw := func(into map[string]string, id string) {
		for into[id] == "" {
			name := fmt.Sprintf("%c%06x", 'a'+rng.IntN(26), rng.IntN(1<<24))
			if !taken[name] {
				taken[name], into[id] = true, name
			}
		}
	}
	n := &newNames{map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}}
	for _, f := range r.Facts {
		draw(n.Facts, f.ID)
	}
	for _, p := range r.Protection {
		draw(n.Protection, p.ID)
	}
	for _, p := range r.Proofs {
		draw(n.Proofs, p.ID)
	}
	for _, s := range r.Stops {
		draw(n.Stops, s.ID)
	}
	for _, p := range r.Phases {
		draw(n.Phases, p.ID)
	}
	for _, s := range r.Steps {
		written, _, _ := strings.Cut(s.ID, "/")
		draw(n.Steps, written)
		if s.Record != nil {
			for _, f := range s.Record.Fields {
				draw(n.Fields, f.ID)
			}
		}
	}
	return n
}

func (n *newNames) step(id string) string {
	written, place, several := strings.Cut(id, "/")
	if n.Steps[written] == "" {
		return id
	}
	if several {
		return n.Steps[written] + "/" + place
	}
	return n.Steps[written]
}

func renamedTo(names map[string]string, id string) string {
	if name, ok := names[id]; ok {
		return name
	}
	return id
}

func allRenamed(names map[string]string, ids []string) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = renamedTo(names, id)
	}
	if ids == nil {
		return nil
	}
	return out
}

// keysRenamed is a map with its keys under the new names; nil stays nil.
func keysRenamed[V any](names map[string]string, of map[string]V) map[string]V {
	if of == nil {
		return nil
	}
	out := map[string]V{}
	for k, v := range of {
		out[renamedTo(names, k)] = v
	}
	return out
}

// method returns the method under the new names.
func (n *newNames) method(r *method.Resolved) (*method.Resolved, error) {
	b, err := r.Encode()
	if err != nil {
		return nil, err
	}
	out, err := method.DecodeResolved(b)
	if err != nil {
		return nil, err
	}
	for i := range out.Facts {
		out.Facts[i].ID = renamedTo(n.Facts, out.Facts[i].ID)
	}
	for i := range out.Protection {
		out.Protection[i].ID = renamedTo(n.Protection, out.Protection[i].ID)
	}
	for i := range out.Proofs {
		out.Proofs[i].ID = renamedTo(n.Proofs, out.Proofs[i].ID)
	}
	for i := range out.Stops {
		out.Stops[i].ID, out.Stops[i].Resume = renamedTo(n.Stops, out.Stops[i].ID), n.step(out.Stops[i].Resume)
		out.Stops[i].Sets = keysRenamed(n.Facts, out.Stops[i].Sets)
	}
	for i := range out.MakeSafe {
		out.MakeSafe[i].Protect = allRenamed(n.Protection, out.MakeSafe[i].Protect)
	}
	for i := range out.Phases {
		out.Phases[i].ID, out.Phases[i].When = renamedTo(n.Phases, out.Phases[i].ID), keysRenamed(n.Facts, out.Phases[i].When)
	}
	for i := range out.Steps {
		s := &out.Steps[i]
		s.ID, s.Phase = n.step(s.ID), renamedTo(n.Phases, s.Phase)
		s.Protect, s.PutOn, s.TakeOff = allRenamed(n.Protection, s.Protect), allRenamed(n.Protection, s.PutOn), allRenamed(n.Protection, s.TakeOff)
		s.Needs, s.Supports = allRenamed(n.Proofs, s.Needs), allRenamed(n.Proofs, s.Supports)
		s.When = keysRenamed(n.Facts, s.When)
		for j := range s.Otherwise {
			s.Otherwise[j].When = keysRenamed(n.Facts, s.Otherwise[j].When)
		}
		for _, u := range s.Outcomes() {
			u.Stop = renamedTo(n.Stops, u.Stop)
		}
		if s.Check != nil {
			s.Check.Item = renamedTo(n.Protection, s.Check.Item)
		}
		if s.Decide != nil {
			s.Decide.Fact = renamedTo(n.Facts, s.Decide.Fact)
		}
		if s.Record != nil {
			for j := range s.Record.Fields {
				s.Record.Fields[j].ID = renamedTo(n.Fields, s.Record.Fields[j].ID)
			}
		}
	}
	return out, nil
}

// record rewrites the lines of a visit to the new names, in their order, each chain signed by a
// key of its own that proves nothing.
func (n *newNames) record(lines [][]byte) ([][]byte, error) {
	type chain struct {
		state  record.Chain
		signer record.Signer
	}
	chains := map[string]*chain{}
	renewed := map[string]string{}
	hash := ""
	var out [][]byte
	for _, line := range lines {
		e, err := record.Decode(line)
		if err != nil {
			return nil, err
		}
		c := chains[e.Key.String()]
		if c == nil {
			seed := sha256.Sum256([]byte("renamed " + e.Key.String()))
			c = &chain{signer: record.PrivateKey(ed25519.NewKeyFromSeed(seed[:]))}
			key, err := record.KeyOf(c.signer.Public())
			if err != nil {
				return nil, err
			}
			if c.state, err = record.NewChain(e.Visit, e.Nature, key); err != nil {
				return nil, err
			}
			chains[e.Key.String()] = c
			renewed[e.Key.String()] = key.String()
		}
		var body any
		if err := json.Unmarshal(e.Body, &body); err != nil {
			return nil, err
		}
		if m, ok := body.(map[string]any); ok && m["method_hash"] != nil {
			if hash, err = n.hash(lines); err != nil {
				return nil, err
			}
			m["method_hash"] = hash
		}
		if m, ok := body.(map[string]any); ok && m["resolved"] != nil {
			r, err := n.resolved(e.Body)
			if err != nil {
				return nil, err
			}
			b, err := r.Encode()
			if err != nil {
				return nil, err
			}
			m["resolved"] = jsontext.Value(b)
		} else {
			body = n.body("", body, renewed)
		}
		raw, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		next, made, event, err := c.state.Append(context.Background(), c.signer, record.Draft{Kind: e.Kind, Person: e.Person, Body: raw, Wall: e.Wall, Mono: e.Mono, Boot: e.Boot})
		if err != nil {
			return nil, err
		}
		c.state = next
		renewed[e.Hash.String()] = event.Hash.String()
		out = append(out, made)
	}
	return out, nil
}

// methodOf returns the resolved method that a record carries.
func methodOf(lines [][]byte) (*method.Resolved, error) {
	for _, line := range lines {
		e, err := record.Decode(line)
		if err != nil {
			return nil, err
		}
		var m struct {
			Resolved jsontext.Value `json:"resolved"`
		}
		if json.Unmarshal(e.Body, &m) == nil && len(m.Resolved) > 0 {
			return method.DecodeResolved(m.Resolved)
		}
	}
	return nil, fmt.Errorf("the record carries no method")
}

func (n *newNames) hash(lines [][]byte) (string, error) {
	r, err := methodOf(lines)
	if err != nil {
		return "", err
	}
	if r, err = n.method(r); err != nil {
		return "", err
	}
	return r.Hash()
}

func (n *newNames) resolved(body jsontext.Value) (*method.Resolved, error) {
	var m struct {
		Resolved jsontext.Value `json:"resolved"`
	}
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, err
	}
	r, err := method.DecodeResolved(m.Resolved)
	if err != nil {
		return nil, err
	}
	return n.method(r)
}

// body renames what stands under the keys that hold ids, and the hashes of lines and keys.
func (n *newNames) body(key string, v any, renewed map[string]string) any {
	lists := map[string]map[string]string{"item": n.Protection, "items": n.Protection, "stop": n.Stops, "phase": n.Phases, "proof": n.Proofs, "fact": n.Facts, "field": n.Fields}
	switch v := v.(type) {
	case string:
		if key == "step" || key == "return" {
			return n.step(v)
		}
		if names := lists[key]; names != nil {
			return renamedTo(names, v)
		}
		if _, err := hex.DecodeString(v); err == nil && len(v) == 64 {
			return renamedTo(renewed, v)
		}
	case []any:
		for i := range v {
			v[i] = n.body(key, v[i], renewed)
		}
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			if key == "entries" || key == "photographs" {
				out[renamedTo(n.Fields, k)] = n.body("", x, renewed)
			} else {
				out[k] = n.body(k, x, renewed)
			}
		}
		return out
	}
	return v
}

// back puts the old ids of steps into a text again: a refusal names the step in turn.
func (n *newNames) back(text string) string {
	var pairs []string
	for was, is := range n.Steps {
		pairs = append(pairs, is, was)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}
