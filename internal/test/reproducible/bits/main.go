// Command bits prints one digest over what a part of the model reckons, bit for bit.
//
// Its one argument names the part: circuit solves fixed invented circuits, world
// reads every instrument and touches every part of random positions, diagnosis has
// three fixed visits diagnosed.
package main

import (
	"crypto/sha256"
	"fmt"
	"hash"
	"os"
)

var subjects = map[string]func(hash.Hash) error{"circuit": circuits, "world": worlds, "diagnosis": diagnosis}

func main() {
	reckon := subjects[os.Args[len(os.Args)-1]]
	if reckon == nil {
		fmt.Fprintln(os.Stderr, "bits: name one subject: circuit, world or diagnosis")
		os.Exit(1)
	}
	sum := sha256.New()
	if err := reckon(sum); err != nil {
		fmt.Fprintln(os.Stderr, "bits:", err)
		os.Exit(1)
	}
	fmt.Printf("%x\n", sum.Sum(nil))
}
