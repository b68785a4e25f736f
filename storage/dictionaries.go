package storage

import (
	"embed"
	"fmt"
	"io/fs"
	"runtime"
	"strconv"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// Records are compressed in Zstandard format (RFC 8878, 2021) with a dictionary: a
// text that writer and reader have, and that records need not repeat. It holds every
// rule as a finding and examples of every kind of record, because most of a decision is
// what the policy says. One dictionary serves all kinds: one for each kind made records
// at most a tenth smaller.
//
// A record names its dictionary by number, in its frame header. A dictionary is never
// changed or deleted once a release wrote with it, or those records are lost; a better
// one gets the next number. It does not have to follow the policy: a rule that it
// does not have costs some bytes in each record and nothing else.

// dictionaryFiles are the dictionaries; the name of each is its number.
//
//go:embed dictionaries
var dictionaryFiles embed.FS

// newestDictionary is the number of the one that records are written with. A number
// above 255 would take a byte more in every record.
const newestDictionary = 1

// dictionariesSince is the schema version whose servers can read records that are
// compressed with a dictionary. While an older one may still write, nobody writes these.
const dictionariesSince = 20

// maxEncoders bounds the encoders that run at once, some 0.8 MB each. A record takes
// some 40 microseconds. Our own choice.
const maxEncoders = 8

// zstandard is an encoder with the newest dictionary and a decoder with all. Both are
// safe for concurrent use.
type zstandard struct {
	encoder *zstd.Encoder
	decoder *zstd.Decoder
}

// withDictionary makes the encoder and the decoder when they are first needed; databases
// share them. A dictionary that cannot be read is a fault of the program, which every test finds.
var withDictionary = sync.OnceValue(func() zstandard {
	z, err := newZstandard(dictionaryFiles, newestDictionary)
	if err != nil {
		panic(err)
	}
	return z
})

// newZstandard reads the dictionaries of a file system.
//
// Fastest: records are compressed while a salon waits. The frame has no checksum,
// because sealing authenticates it.
func newZstandard(files fs.FS, newest int) (z zstandard, err error) {
	entries, err := fs.ReadDir(files, "dictionaries")
	if err != nil {
		return z, err
	}
	options := []zstd.DOption{zstd.WithDecoderMaxMemory(maxPlain), zstd.WithDecoderConcurrency(0)}
	for _, e := range entries {
		number, err := strconv.ParseUint(e.Name(), 10, 32)
		if err != nil {
			return z, fmt.Errorf("storage: dictionary %q: the name must be a number", e.Name())
		}
		content, err := fs.ReadFile(files, "dictionaries/"+e.Name())
		if err != nil {
			return z, err
		}
		options = append(options, zstd.WithDecoderDictRaw(uint32(number), content))
		if int(number) == newest {
			z.encoder, err = zstd.NewWriter(nil, zstd.WithEncoderDictRaw(uint32(number), content), zstd.WithEncoderLevel(zstd.SpeedFastest),
				zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true), zstd.WithEncoderConcurrency(min(maxEncoders, runtime.GOMAXPROCS(0))))
			if err != nil {
				return z, err
			}
		}
	}
	if z.encoder == nil {
		return z, fmt.Errorf("storage: there is no dictionary %d", newest)
	}
	z.decoder, err = zstd.NewReader(nil, options...)
	return z, err
}
