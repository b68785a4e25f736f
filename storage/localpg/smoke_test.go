package localpg_test

import (
	"database/sql"
	"os"
	"testing"
	"time"

	"alkalog/storage/localpg"

	_ "github.com/lib/pq"
)

func TestSmoke(t *testing.T) {
	dir, _ := os.MkdirTemp("/dev/shm", "localpg")
	defer os.RemoveAll(dir)
	for range 2 {
		t0 := time.Now()
		c, err := localpg.Start(t.Context(), localpg.Config{Dir: dir, Unsafe: true, Log: t.Output()})
		if err != nil {
			t.Fatal(err)
		}
		t.Log(time.Since(t0), c.Version(), c.PID(), c.DSN("a'b", ""))
		db, _ := sql.Open("postgres", c.DSN("", ""))
		var v string
		if err := db.QueryRow("select version()").Scan(&v); err != nil {
			t.Fatal(err)
		}
		t.Log(v)
		db.Close()
		t0 = time.Now()
		if err := c.Stop(); err != nil {
			t.Fatal(err)
		}
		t.Log(time.Since(t0))
	}
}
