// Package serve runs the program as a server on one machine: the field and the office over one
// store in a folder.
//
// It listens on the machine itself and nowhere else, since nobody signs in yet. An address that
// others could reach is refused with the reason.
package serve
