package storage

import pb "alkalog/proto/alkalogv1"

// Clients and their consultations are listed newest first.
var (
	Clients = Mutable[*pb.Client]{Kind[*pb.Client]{newestFirst: true,
		table: newTable[*pb.Client]("clients")}}
	Consultations = Mutable[*pb.Consultation]{Kind[*pb.Consultation]{newestFirst: true,
		table: newTable[*pb.Consultation]("consultations")}}
)
