package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// The first path is the one that c2sp.org/tlog-tiles gives as its example, for
// index 1234067.
func TestPaths(t *testing.T) {
	for want, id := range map[string]TileID{
		"tile/0/x001/x234/067":       {0, 1234067, 256},
		"tile/0/x001/x234/067.p/1":   {0, 1234067, 1},
		"tile/63/000.p/255":          {63, 0, 255},
		"tile/1/999":                 {1, 999, 256},
		"tile/2/x001/000":            {2, 1000, 256},
		"tile/0/x273/x001/x002/x003": {},
	} {
		got, err := parseTilePath(want)
		if id == (TileID{}) {
			if err == nil {
				t.Errorf("%s is read as %v", want, got)
			}
			continue
		}
		if err != nil || got != id || id.Path() != want {
			t.Errorf("%v: path %s, want %s, which is read as %v, %v", id, id.Path(), want, got, err)
		}
	}
	if got := BundlePath(1234067, 7); got != "tile/entries/x001/x234/067.p/7" {
		t.Error(got)
	}
	for _, bad := range []string{"", "tile", "tile/", "tile/0", "tile/0/0", "tile/0/000.p/0", "tile/0/000.p/256", "tile/0/000.p/01",
		"tile/64/000", "tile/-1/000", "tile/data/000", "tile/entries/000", "tile/00/000", "/tile/0/000", "tile/0/../000", "tile/8/0/000", "tile/0/x000/001"} {
		if got, err := parseTilePath(bad); err == nil {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
}

func TestBundles(t *testing.T) {
	for name, entries := range map[string][][]byte{
		"none":        nil,
		"an empty":    {{}},
		"some":        {[]byte("a"), {}, []byte("bc")},
		"the longest": {bytes.Repeat([]byte{7}, MaxEntry)},
		"full":        someEntries(TileWidth),
	} {
		bundle, err := Bundle(entries)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseBundle(bundle)
		if err != nil || !slices.EqualFunc(got, entries, bytes.Equal) {
			t.Errorf("%s: %d entries come back as %d, %v", name, len(entries), len(got), err)
		}
		for cut := range min(len(bundle), 10) {
			if got, err := ParseBundle(bundle[:len(bundle)-1-cut]); err == nil && len(got) == len(entries) {
				t.Errorf("%s: cut off, it has as many", name)
			}
		}
	}
	if _, err := Bundle([][]byte{make([]byte, MaxEntry+1)}); !errors.Is(err, ErrEntryTooLong) {
		t.Errorf("too long: %v", err)
	}
	if bundle, err := Bundle([][]byte{[]byte("ab")}); err != nil || !bytes.Equal(bundle, []byte{0, 2, 'a', 'b'}) {
		t.Errorf("%v %v, want the length in two bytes, the larger first", bundle, err)
	}
	if _, err := ParseBundle(make([]byte, 2*(TileWidth+1))); err == nil {
		t.Error("a bundle of 257 is taken")
	}
}

// parseTilePath reads the path of a tile, as a client of a log does.
func parseTilePath(path string) (TileID, error) {
	rest, ok := strings.CutPrefix(path, "tile/")
	t, err := tlog.ParseTilePath(fmt.Sprintf("tile/%d/%s", tileHeight, rest))
	if !ok || err != nil || t.L < 0 || t.L > 63 {
		return TileID{}, fmt.Errorf("ledger: %q is not the path of a tile", path)
	}
	return TileID{t.L, t.N, t.W}, nil
}
