package storage_test

import (
	"testing"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// BenchmarkWrite commits a record and an audit entry per operation, forced to
// disk, with many callers.
func BenchmarkWrite(b *testing.B) {
	db := storagetest.NewDurable(b).Open(b, storage.Config{MaxConns: 16})
	b.ResetTimer()
	b.SetParallelism(8) // times GOMAXPROCS
	b.ReportAllocs()
	b.RunParallel(func(p *testing.PB) {
		for p.Next() {
			if _, err := openSalon(b.Context(), db, salonRequest(storage.NewID())); err != nil {
				b.Error(err)
			}
		}
	})
}
