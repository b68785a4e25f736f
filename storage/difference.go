package storage

import (
	"encoding/binary"
	"errors"
)

// A difference describes bytes by what they have in common with other bytes, the base.
// It is a list of pieces. Each piece has bytes of its own and then a part of the base:
//
//	length of the own bytes, own bytes, start in the base, length in the base
//
// with numbers as varints. The result is the pieces one after the other.

// blockSize is the shortest part of a base that is certain to be found, and the distance
// of the places where parts are looked for. Our own choice.
const blockSize = 32

// difference returns the difference that makes bytes from a base. It is of use only if it
// is shorter than the bytes.
func difference(base, whole []byte) []byte {
	places := make(map[[blockSize]byte]int, len(base)/blockSize)
	for at := 0; at+blockSize <= len(base); at += blockSize {
		block := [blockSize]byte(base[at:])
		if _, known := places[block]; !known {
			places[block] = at
		}
	}
	var pieces []byte
	done := 0 // bytes that the pieces make so far
	for at := 0; at+blockSize <= len(whole); {
		start, found := places[[blockSize]byte(whole[at:])]
		if !found {
			at++
			continue
		}
		for at > done && start > 0 && whole[at-1] == base[start-1] {
			at, start = at-1, start-1
		}
		length := 0
		for at+length < len(whole) && start+length < len(base) && whole[at+length] == base[start+length] {
			length++
		}
		pieces = appendPiece(pieces, whole[done:at], start, length)
		at += length
		done = at
	}
	if done < len(whole) {
		pieces = appendPiece(pieces, whole[done:], 0, 0)
	}
	return pieces
}

// appendPiece appends the encoding of one piece.
func appendPiece(pieces, own []byte, start, length int) []byte {
	pieces = append(binary.AppendUvarint(pieces, uint64(len(own))), own...)
	return binary.AppendUvarint(binary.AppendUvarint(pieces, uint64(start)), uint64(length))
}

// errDifference means that a difference cannot be applied: it was changed, or the base is
// not the one that it was made for.
var errDifference = errors.New("storage: a difference does not fit its base")

// applyDifference makes the bytes that difference was given, from the same base.
func applyDifference(base, pieces []byte) ([]byte, error) {
	var whole []byte
	for len(pieces) > 0 {
		own, ok := cutNumber(&pieces)
		if !ok || own > uint64(len(pieces)) {
			return nil, errDifference
		}
		whole, pieces = append(whole, pieces[:own]...), pieces[own:]
		start, ok1 := cutNumber(&pieces)
		length, ok2 := cutNumber(&pieces)
		if !ok1 || !ok2 || start > uint64(len(base)) || length > uint64(len(base))-start {
			return nil, errDifference
		}
		whole = append(whole, base[start:start+length]...)
	}
	return whole, nil
}

// cutNumber removes a varint from the front of bytes and returns it.
func cutNumber(from *[]byte) (uint64, bool) {
	n, size := binary.Uvarint(*from)
	if size <= 0 {
		return 0, false
	}
	*from = (*from)[size:]
	return n, true
}
