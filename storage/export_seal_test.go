package storage

import (
	"fmt"
	"io/fs"
)

// ClientOf is the id of the client whom a record needs to be there; empty: nobody.
func ClientOf(r Record) string {
	if r.statements == Clients.statements {
		return ""
	}
	return r.client
}

// Compress compresses a record, with a dictionary or as earlier releases did.
func Compress(dictionary bool, plain []byte) (format byte, small []byte) {
	return newCompressor(func() bool { return dictionary }).compress(plain)
}

// Decompress is its inverse.
func Decompress(format byte, small []byte) ([]byte, error) {
	return newCompressor(nil).decompress(format, small)
}

// WithDictionaries compresses and decompresses a record by the dictionaries of a file
// system.
func WithDictionaries(files fs.FS, newest int, plain []byte) error {
	z, err := newZstandard(files, newest)
	if err != nil {
		return err
	}
	back, err := z.decoder.DecodeAll(z.encoder.EncodeAll(plain, nil), nil)
	if err == nil && string(back) != string(plain) {
		err = fmt.Errorf("%d bytes came back as %d others", len(plain), len(back))
	}
	return err
}

// Dictionaries are the dictionaries of the program.
var Dictionaries fs.FS = dictionaryFiles

// DictionariesSince is the schema version from which on they are used.
const DictionariesSince = dictionariesSince
