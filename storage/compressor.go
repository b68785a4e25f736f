package storage

import (
	"bytes"
	"compress/flate"
	"io"
	"sync"
)

// compressor compresses records before they are sealed, because PostgreSQL cannot
// compress sealed bytes and would write about twice as much. It pools the compressors,
// which are costly to allocate. It is safe for concurrent use.
type compressor struct{ writers, readers sync.Pool }

// minCompressed is the size in bytes from which records are compressed. Shorter ones
// gain little. Our own choice.
const minCompressed = 512

// newCompressor returns an empty pool.
func newCompressor() *compressor {
	return &compressor{
		writers: sync.Pool{New: func() any {
			// BestSpeed: records are compressed while a salon waits.
			w, _ := flate.NewWriter(io.Discard, flate.BestSpeed) // fails for other levels only
			return w
		}},
		readers: sync.Pool{New: func() any { return flate.NewReader(bytes.NewReader(nil)) }},
	}
}

// compress returns the compressed bytes and true, or false if the result would not be
// smaller; the bytes are then of no use.
func (p *compressor) compress(plain []byte) ([]byte, bool) {
	if len(plain) < minCompressed {
		return plain, false
	}
	w := p.writers.Get().(*flate.Writer)
	defer p.writers.Put(w)
	out := bytes.NewBuffer(make([]byte, 0, len(plain)))
	w.Reset(out)
	// Writing to memory does not fail.
	_, _ = w.Write(plain)
	_ = w.Close()
	return out.Bytes(), out.Len() < len(plain)
}

// decompress is the inverse of compress. Its input was authenticated before, so it
// needs no limit against an archive that expands without end.
func (p *compressor) decompress(small []byte) ([]byte, error) {
	r := p.readers.Get().(io.ReadCloser)
	defer p.readers.Put(r)
	if err := r.(flate.Resetter).Reset(bytes.NewReader(small), nil); err != nil {
		return nil, err
	}
	out := bytes.NewBuffer(make([]byte, 0, 4*len(small)))
	_, err := out.ReadFrom(r)
	return out.Bytes(), err
}
