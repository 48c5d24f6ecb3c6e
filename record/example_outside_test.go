package record_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/json/jsontext"
	"fmt"
	"log"
	"time"

	"meterwright/record"
)

// A whole record in the order of use: a key, a chain, lines one after another, a verification, and
// reading the lines back. Everything in it is invented.
func Example() {
	ctx := context.Background()
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		log.Fatal(err)
	}
	signer := record.PrivateKey(private)
	key, err := record.KeyOf(signer.Public())
	if err != nil {
		log.Fatal(err)
	}

	chain, err := record.NewChain("019ab3f0-5c00-7a10-8b20-0123456789ab", record.Practice, key)
	if err != nil {
		log.Fatal(err)
	}
	var file bytes.Buffer // in earnest a file that is synced after each line
	for i, step := range []struct{ kind, body string }{
		{record.KindOpened, `{"job":"J-1"}`},
		{"observed", `{"at":"meter.l-in","reading":{"value":"231.4","unit":"V"}}`},
		{record.KindEnded, `{"outcome":"done"}`},
	} {
		next, line, _, err := chain.Append(ctx, signer, record.Draft{
			Kind: step.kind, Person: "person-7", Body: jsontext.Value(step.body), Boot: "boot-1",
			Wall: time.Date(2026, 3, 2, 9, 15, i, 0, time.UTC), Mono: int64(1000 * i),
		})
		if err != nil {
			log.Fatal(err)
		}
		file.Write(append(line, '\n'))
		chain = next // only now, when the line is stored
	}

	report, err := record.Verify(bytes.NewReader(file.Bytes()), record.Options{Keys: []record.NamedKey{{Key: key, Person: "person-7"}}})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(report.Verdict, report.Lines)

	var again record.Chain
	for line := range bytes.Lines(file.Bytes()) {
		var e record.Event
		if again, e, err = again.Accept(bytes.TrimSuffix(line, []byte("\n"))); err != nil {
			log.Fatal(err)
		}
		fmt.Println(e.Seq, e.Kind, e.Body)
	}
	fmt.Println(again == chain)
	// Output:
	// genuine and ended 3
	// 0 opened {"job":"J-1"}
	// 1 observed {"at":"meter.l-in","reading":{"unit":"V","value":"231.4"}}
	// 2 ended {"outcome":"done"}
	// true
}

// A name stands in an attachment: the record refers to it by a hash that tells nothing of it once
// the container, and the salt in it, are erased.
func ExampleNewAttachment() {
	a, err := record.NewAttachment(record.MediaText, []byte("A. Person (invented)"), rand.Reader)
	if err != nil {
		log.Fatal(err)
	}
	inTheBody := a.Reference().JSON() // stands in the body of a line
	container := a.Container()        // stands in a file of its own

	ref, err := record.ParseReference(inTheBody)
	if err != nil {
		log.Fatal(err)
	}
	read, err := ref.Open(container)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(read.Media, string(read.Content))
	_, err = ref.Open(bytes.Replace(container, []byte("Person"), []byte("Persom"), 1))
	fmt.Println(err != nil)
	// Output:
	// text/plain A. Person (invented)
	// true
}

// What is altered is not genuine, and the fault says where and how.
func ExampleVerify() {
	_, err := record.Verify(bytes.NewReader([]byte("{}\n")), record.Options{})
	fmt.Println(err)
	// Output:
	// line 1: this is not a record that this program reads (meterwright/record/1): the line lacks a field: field "body"
}
