package sequencer

import (
	"os"
	"testing"

	"alkalog/storage/storagetest"
)

func TestMain(m *testing.M) { os.Exit(storagetest.Run(m)) }
