// Package store keeps what devices hand in, durably.
//
// This comment is the contract. The tests of this package say the same, and every
// driver passes it.
//
// # Lines
//
// [Store.Submit] takes lines of records, of any visits and chains, in any order, any number of
// times. Each line is decoded and its signature checked, strictly, as package record says.
// What then happens to it stands in its [Receipt]:
//
//	accepted  the line before it is stored, or it is the first of its chain, and the rules of
//	          the record allow it there. It has an acceptance number. The same line handed in
//	          again has the same number.
//	waiting   the line is genuine, but the line before it is not stored yet. It is kept, as
//	          durable as any other, and accepted with the line that it waits for. A visit may
//	          have [MaxWaiting] lines or [MaxWaitingBytes] bytes waiting; what is over is
//	          refused with the reason "too-many-waiting" and can be sent again once the earlier
//	          lines are here.
//	refused   the line is not kept. The reason is a word, and the error has the evidence. A
//	          refused line does not touch the others of its batch.
//
// Acceptance numbers count from 1 without gaps, and within a chain they rise with the
// sequence. A receipt is given only after the transaction with the line is committed and
// synced to the disk; an error of Submit means that nothing of the batch is promised, and the
// caller sends it again.
//
// A waiting line that turns out to break a rule when its turn comes is dropped; handed in
// again it is refused with the reason. What follows it keeps waiting and counts towards the
// bounds.
//
// # Versions
//
// Two lines with one place in one chain are a fork. Both are kept, and all that follows either:
// the version received first is number 0, each further one has the next number, up to
// [MaxVersions]. Every listing shows them: [Holding], [Line] and [Summary] name versions.
//
// The nature of a visit, real or practice, is that of the line accepted first; lines of the
// other nature are refused. Within one batch the chains of a visit come in the order in which
// their first lines stand in it. Two chains that both open the visit are both kept, because which
// of them is out of place cannot be known here: record.VerifyAll reports it.
//
// # Attachments
//
// Containers are files named by their hash in a folder beside the database. An erased
// attachment leaves a tombstone in the database, which says who erased it and why, and it is
// not taken again. One that no line has named for [KeepUnnamed] is removed without a trace.
//
// # Concerns
//
// A store that was opened may have [Store.Concerns]: others can read or change what it keeps,
// or its last lines are missing, which a number kept apart from the tables tells.
//
// # Projections
//
// The table of summaries is a projection: a [Projector] makes each row from the lines of one
// visit and from nothing else. Rows follow the lines in order of acceptance, after the
// receipts, with a durable mark: after a crash, work goes on from the mark. A row never takes
// the place of one made from more lines, so a projection agrees with the lines up to its mark
// whatever happened. [Store.CatchUp] brings it up to date at once, [Store.Rebuild] makes all
// rows anew.
//
// # Needs
//
// With its summary a projector gives what a visit needs of somebody, each [Need] under a key that is the
// same for the same reason and another for a new one. [Store.Waiting] lists what nobody has taken,
// over all visits and however old. [Store.Take] records durably that a person took it, and what was
// done; that is added to and never changed, and no rebuild brings back what was taken. A need that comes
// under another key waits, whatever was taken before it.
//
// # Drivers
//
// All statements are in this package, written once, with $N placeholders numbered in order of
// first appearance, so that they run on SQLite and PostgreSQL alike. Times are int64
// microseconds since 1970 in UTC. A driver opens the handles, brings the tables to the present
// edition, and explains errors: see [Database].
package store
