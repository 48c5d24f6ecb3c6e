// Package record is the file in which a visit is kept so that it cannot be altered unseen.
package record
