// Package book keeps the record of one build in one file, so that what was
// recorded stays, and any change to it shows.
//
// A book holds entries: facts, each numbered by the station that wrote it and
// tied by SHA-256 to that station's entry before. They are only ever added. The
// file is a bbolt file; beside it lies the witness, a text file with the number
// and hash of every entry. Both formats stand in log/FORMAT.md.
//
// # Writing
//
// Only [Create] makes a file. [Book.Append] locks the file, adds entries in one
// transaction, which is on disk before anything else happens, writes their lines
// to the witness, syncs that, and unlocks. Between two calls the book is free for
// others. A crash leaves the entries of a call in the book whole or not at all;
// it can leave them without their lines in the witness, which the next call adds.
// Append refuses a book whose end is not the one that the witness tells.
//
// # Pulls, sample by sample
//
// What a wrench sends while a bolt is pulled goes to disk as it comes, so that a
// power cut in mid-pull costs a fraction of a second and not the pull:
//
//	p, err := b.BeginPull(point, pass, instrument) // writes nothing
//	err = p.Save(ctx, samplesSoFar)                // a few times a second; on disk when it returns
//	…
//	r.Trace = p.End()                              // the name that the entry keeps it by
//	entries, err := b.Append(ctx, r)
//
// Save takes the whole trace from its beginning, so that after an error, such as a
// book that is locked, the next call makes good what the last could not do. It
// costs less than an Append. Traces stand apart: entries are read without them,
// and [Book.Trace] gives the one that an entry names, if it has the hash that the
// entry tells.
//
// A trace that no entry names, as [Book.Unnamed] lists them, is that of a pull
// which is going on, or was interrupted. Who begins a session keeps those that
// its station left behind:
//
//	for _, u := range list {
//		… b.Append(ctx, fact.Interrupted{Point: u.Point, Pass: u.Pass, Trace: u.Name, …})
//	}
//
// A pull that made no reading, for want of a point or because it was none, can be
// kept by a [fact.Note] in the same way.
//
// # Reading
//
// [Book.Entries] and [Book.History] check every entry they give: that its bytes
// have the hash that the chain and the witness tell, follow on the entry before,
// and stand where they belong. They give all of it or an error. What can still be
// had of a damaged book, [Salvage] gives; what is wrong with it, [Verify] tells.
//
// # What it proves
//
// Damage shows, wherever it strikes, and so does a file that lost its last
// transaction, which bbolt alone takes for whole. Someone who writes both files
// anew, hashes and all, is found out only by a hash that was kept elsewhere, such
// as the one printed on the build sheet.
//
// # bbolt
//
// bbolt maps its file and trusts it, so it gets to see only files that package
// pages found sound, is never asked to create one by opening it, and never reads
// for us: reading goes through package pages. Panics and faults that it may raise
// all the same become errors.
package book
