package storage

import (
	"bytes"
	"compress/flate"
	"errors"
	"io"
	"sync"
)

// compressor compresses records before they are sealed, because PostgreSQL cannot
// compress sealed bytes and would write several times as much. It is safe for concurrent use.
//
// # What the length of a sealed record reveals
//
// Compression makes the length depend on the content, and a record holds what a caller
// wrote beside what others said of the client. To learn from that, somebody must both
// write into the record and see its length. Who may write into a client's record may
// read it, and lengths are seen only in the database or a copy of it. Each record is
// sealed once: there is no second try on the same secret, and every reply is a record
// of its own. To those who only have the database, a length says roughly how much
// was found, which the columns beside it (verdict, kind) say exactly. It says less than
// the length of the plain record would, because the texts of the rules cost a few bytes each.
type compressor struct {
	writers, readers sync.Pool // of DEFLATE
	// dictionary reports whether records may be compressed with a dictionary, which servers
	// of earlier releases cannot read.
	dictionary func() bool
}

const (
	// minDeflated and minCompressed are the sizes in bytes from which records are compressed
	// without and with a dictionary. Shorter ones gain little. Our own choice.
	minDeflated   = 512
	minCompressed = 64
	// maxPlain is the longest record in bytes that is decompressed. What is compressed was
	// authenticated before, so it bounds a mistake and no attack. Requests have at most 1 MiB,
	// and nothing that is made of one has sixteen times its size. Our own choice.
	maxPlain = 16 << 20
)

// newCompressor returns a compressor without compressors in its pools. dictionary is called
// for every record.
func newCompressor(dictionary func() bool) *compressor {
	return &compressor{
		dictionary: dictionary,
		writers: sync.Pool{New: func() any {
			// BestSpeed: records are compressed while a salon waits.
			w, _ := flate.NewWriter(io.Discard, flate.BestSpeed) // fails for other levels only
			return w
		}},
		readers: sync.Pool{New: func() any { return flate.NewReader(bytes.NewReader(nil)) }},
	}
}

// compress returns the format of what it returns, one of those of sealed bytes. A record
// that would not get smaller is returned as it is.
func (p *compressor) compress(plain []byte) (byte, []byte) {
	if p.dictionary() {
		if len(plain) >= minCompressed {
			if small := withDictionary().encoder.EncodeAll(plain, make([]byte, 0, len(plain)/2)); len(small) < len(plain) {
				return sealedWithDictionary, small
			}
		}
		return sealed, plain
	}
	if small, smaller := p.deflate(plain); smaller {
		return sealedSmaller, small
	}
	return sealed, plain
}

// deflate returns the bytes in DEFLATE format and true, or false if the result would not be
// smaller; the bytes are then of no use.
func (p *compressor) deflate(plain []byte) ([]byte, bool) {
	if len(plain) < minDeflated {
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

// errTooLong is the error of a record that does not end.
var errTooLong = errors.New("storage: a record is longer than any that was written")

// decompress is the inverse of compress.
func (p *compressor) decompress(format byte, small []byte) ([]byte, error) {
	switch format {
	case sealedSmaller:
		return p.inflate(small)
	case sealedWithDictionary:
		return withDictionary().decoder.DecodeAll(small, nil)
	}
	return small, nil
}

// inflate is the inverse of deflate.
func (p *compressor) inflate(small []byte) ([]byte, error) {
	r := p.readers.Get().(io.ReadCloser)
	defer p.readers.Put(r)
	if err := r.(flate.Resetter).Reset(bytes.NewReader(small), nil); err != nil {
		return nil, err
	}
	out := bytes.NewBuffer(make([]byte, 0, 4*len(small)))
	n, err := out.ReadFrom(io.LimitReader(r, maxPlain+1))
	if n > maxPlain {
		return nil, errTooLong
	}
	return out.Bytes(), err
}
