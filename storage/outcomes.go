package storage

import pb "alkalog/proto/alkalogv1"

// Outcomes are never changed, and listed newest first. A session has one at
// most; the database refuses a second.
var Outcomes = Kind[*pb.Outcome]{newestFirst: true, table: newSealed("outcomes", "parent",
	column[*pb.Outcome]{"session", "text", func(o *pb.Outcome) any { return o.GetSession() }},
	column[*pb.Outcome]{"bad", "boolean", func(o *pb.Outcome) any { return isBad(o) }},
)}
