package audit

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"alkalog/storage"
	"alkalog/storage/storagetest"
)

// TestCountingSaysOnceWhatGoesWrong: a database that is away for a minute is not
// told of four times a second.
func TestCountingSaysOnceWhatGoesWrong(t *testing.T) {
	t.Parallel()
	db := storagetest.NewDatabase(t).Open(t, storage.Config{})
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		told := 0
		Service{DB: db}.Count(ctx, func(error) { told++ })
		if told != 1 {
			t.Errorf("it was told of %d times", told)
		}
	})
}
