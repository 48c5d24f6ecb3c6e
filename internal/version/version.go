// Package version says which edition of the program this is.
package version

// Edition is the edition of the program. Records name it, so that a reader knows which engine
// accepted their events.
const Edition = "0.1.0"
