package storage

import (
	"bytes"
	"compress/flate"
	"io"
	"sync"
)

// compressor makes records smaller before they are sealed: what is sealed the
// database cannot compress any more, and would write twice as much of. It keeps
// the makings of one record for the next.
type compressor struct{ writers, readers sync.Pool }

// minCompressed is from how many bytes on it is done.
const minCompressed = 512

// newCompressor makes a compressor.
func newCompressor() *compressor {
	return &compressor{
		writers: sync.Pool{New: func() any {
			w, _ := flate.NewWriter(io.Discard, flate.BestSpeed) // fails for other levels only
			return w
		}},
		readers: sync.Pool{New: func() any { return flate.NewReader(bytes.NewReader(nil)) }},
	}
}

// compress makes bytes smaller; it reports false where that does not come off.
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

// decompress undoes it.
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
