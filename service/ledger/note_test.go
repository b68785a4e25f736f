package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// aKey is a key for tests, the same every time.
func aKey(t testing.TB, name string, seed byte) PrivateKey {
	t.Helper()
	k, err := NewPrivateKey(name, bytes.Repeat([]byte{seed}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// The keys and the note are those of the documentation of package
// golang.org/x/mod/sumdb/note (v0.43.0), sections "Example" and "Verifying
// Notes".
func TestPublishedKey(t *testing.T) {
	const secret = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
	const public = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
	const signed = "If you think cryptography is the answer to your problem,\n" +
		"then you don't know what your problem is.\n" +
		"\n" +
		"— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
	key, err := ParsePrivateKey(secret)
	if err != nil {
		t.Fatal(err)
	}
	if key.Secret() != secret || key.Public().String() != public || key.Name() != "PeterNeumann" {
		t.Errorf("it is read as %s, public %s", key.Secret(), key.Public())
	}
	verifier, err := ParsePublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := note.Open([]byte(signed), note.VerifierList(verifier.verifier)); err != nil {
		t.Error(err)
	}
	// It is a note, and no checkpoint.
	if _, _, err := OpenCheckpoint([]byte(signed), []PublicKey{verifier}); !errors.Is(err, ErrCheckpoint) {
		t.Errorf("as a checkpoint: %v", err)
	}
}

// The text is the example at the top of c2sp.org/tlog-checkpoint. The public
// key that its signature belongs to is not published with it, so the text is
// read and written, and signed with a key of ours.
func TestPublishedCheckpoint(t *testing.T) {
	const text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	const signed = text + "\n— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n"
	c, err := parseCheckpoint(text)
	if err != nil {
		t.Fatal(err)
	}
	if c.Origin != "example.com/behind-the-sofa" || c.Size != 20852163 || c.text() != text {
		t.Errorf("read as %+v", c)
	}
	key := aKey(t, c.Origin, 1)
	if _, _, err := OpenCheckpoint([]byte(signed), []PublicKey{key.Public()}); !errors.Is(err, ErrCheckpoint) {
		t.Errorf("signed by an unknown key: %v", err)
	}
	ours, err := c.Sign([]PrivateKey{key})
	if err != nil {
		t.Fatal(err)
	}
	both := string(ours) + strings.SplitN(signed, "\n\n", 2)[1]
	again, signers, err := OpenCheckpoint([]byte(both), []PublicKey{key.Public()})
	if err != nil || again != c || len(signers) != 1 {
		t.Errorf("with a signature of ours and an unknown one: %v %v %v", again, signers, err)
	}
}

// The note is the example at the top of c2sp.org/signed-note; its key is not
// published with it either.
func TestPublishedSignedNote(t *testing.T) {
	const signed = "Ognuno sta solo sul cuor della terra\n" +
		"trafitto da un raggio di sole:\n" +
		"\n" +
		"ed è subito sera.\n" +
		"\n" +
		"— quasimodo.example/salvatore NnugSzTjtVAewIS+Z/iJhUPeFDkO/5QQ2i5ddnGITLlC+EhfLW9oJKONrMouFSQU0xMcXxj99ihAQwaqP3ZekRwNtIc=\n"
	_, err := note.Open([]byte(signed), nil)
	var unverified *note.UnverifiedNoteError
	if !errors.As(err, &unverified) || len(unverified.Note.UnverifiedSigs) != 1 || unverified.Note.UnverifiedSigs[0].Name != "quasimodo.example/salvatore" {
		t.Errorf("%v", err)
	}
}

// While a key is replaced, both sign; a reader that knows either key can check.
func TestRotation(t *testing.T) {
	was, now, other := aKey(t, "log.example/ebb", 1), aKey(t, "log.example/ebb", 2), aKey(t, "log.example/ebb", 3)
	c := Checkpoint{"log.example/ebb", Empty()}
	signed, err := c.Sign([]PrivateKey{now, was})
	if err != nil {
		t.Fatal(err)
	}
	for name, keys := range map[string][]PublicKey{
		"the old": {was.Public()}, "the new": {now.Public()}, "both": {was.Public(), now.Public()},
		"the old and a stranger": {was.Public(), other.Public()},
	} {
		got, signers, err := OpenCheckpoint(signed, keys)
		want := slices.DeleteFunc(slices.Clone(keys), func(k PublicKey) bool { return k.String() == other.Public().String() })
		if err != nil || got != c || len(signers) != len(want) {
			t.Errorf("%s: %v signed by %v, %v", name, got, signers, err)
		}
	}
	if _, _, err := OpenCheckpoint(signed, []PublicKey{other.Public()}); !errors.Is(err, ErrCheckpoint) || !errors.Is(err, ErrStranger) {
		t.Errorf("a stranger's key: %v", err)
	}
	// One wrong signature spoils the note, even beside a right one.
	spoilt := bytes.Replace(signed, []byte("\n0\n"), []byte("\n1\n"), 1)
	if _, _, err := OpenCheckpoint(spoilt, []PublicKey{was.Public()}); !errors.Is(err, ErrCheckpoint) || errors.Is(err, ErrStranger) {
		t.Errorf("another size under the signature: %v", err)
	}
}

func TestChainsHaveLogsOfTheirOwn(t *testing.T) {
	server := aKey(t, "log.example", 1)
	ebb, err := server.For("ebb-and-flow")
	if err != nil {
		t.Fatal(err)
	}
	tide, err := server.For("tide")
	if err != nil {
		t.Fatal(err)
	}
	c := Checkpoint{"log.example/ebb-and-flow", Empty()}
	signed, err := c.Sign([]PrivateKey{ebb})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := OpenCheckpoint(signed, []PublicKey{tide.Public()}); !errors.Is(err, ErrCheckpoint) {
		t.Errorf("one chain's checkpoint under another's key: %v", err)
	}
	if _, err := c.Sign([]PrivateKey{tide}); err == nil {
		t.Error("one chain's key signs for another")
	}
	if _, err := c.Sign(nil); err == nil {
		t.Error("nobody signs")
	}
	// The name under the signature is the origin: a note of one log that speaks
	// of another is none of either.
	forged, err := note.Sign(&note.Note{Text: c.text()}, tide.signer)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := OpenCheckpoint(forged, []PublicKey{tide.Public()}); !errors.Is(err, ErrCheckpoint) {
		t.Errorf("a log that signs for another: %v", err)
	}
}

func TestNotACheckpoint(t *testing.T) {
	root := Empty().Root.String()
	for name, text := range map[string]string{
		"empty":              "\n",
		"no origin":          "\n0\n" + root + "\n",
		"no root":            "o\n0\n",
		"negative":           "o\n-1\n" + root + "\n",
		"plus":               "o\n+1\n" + root + "\n",
		"leading zero":       "o\n01\n" + root + "\n",
		"spaces":             "o\n 1\n" + root + "\n",
		"too large":          "o\n1152921504606846977\n" + root + "\n",
		"larger than 64 bit": "o\n99999999999999999999\n" + root + "\n",
		"short root":         "o\n0\nAAAA\n",
		"loose base64":       "o\n0\n" + strings.TrimSuffix(root, "U=") + "V=\n",
		"empty extension":    "o\n0\n" + root + "\n\n",
	} {
		if c, err := parseCheckpoint(text); !errors.Is(err, ErrCheckpoint) {
			t.Errorf("%s: read as %+v, %v", name, c, err)
		}
	}
	if _, err := parseCheckpoint("o\n0\n" + root + "\nextension\n"); err != nil {
		t.Errorf("an extension: %v", err)
	}
}

// A private key does not show itself, wherever it is put.
func TestPrivateKeyIsSilent(t *testing.T) {
	key := aKey(t, "log.example", 7)
	secret := key.Secret()[len(key.Secret())-20:]
	type holder struct {
		Shown  PrivateKey
		hidden PrivateKey
	}
	h := holder{key, key}
	var logged bytes.Buffer
	slog.New(slog.NewJSONHandler(&logged, nil)).Info("x", "key", key, "holder", h)
	slog.New(slog.NewTextHandler(&logged, nil)).Info("x", "key", key, "holder", h)
	inJSON, err := json.Marshal([]any{key, h})
	if err != nil {
		t.Fatal(err)
	}
	shown := logged.String() + string(inJSON)
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d"} {
		shown += fmt.Sprintf(verb+" "+verb+" "+verb, key, h, []any{&key, &h})
	}
	for _, tell := range []string{secret, "0707", "7 7 7", "0x7, 0x7", privateForm} {
		if strings.Contains(shown, tell) {
			t.Errorf("%q is to be seen in %s", tell, shown)
		}
	}
	if _, err := ParsePrivateKey(key.Secret() + "x"); err == nil || strings.Contains(err.Error(), secret[:10]) {
		t.Errorf("the error shows it: %v", err)
	}
}

func TestBadKeys(t *testing.T) {
	key := aKey(t, "log.example", 1)
	for _, bad := range []string{"", "x", key.Public().String(), key.Secret()[:40], strings.Replace(key.Secret(), "log.", "lag.", 1)} {
		if _, err := ParsePrivateKey(bad); err == nil {
			t.Errorf("private key %q is taken", bad)
		}
	}
	for _, bad := range []string{"", "x", key.Secret(), strings.Replace(key.Public().String(), "log.", "lag.", 1)} {
		if _, err := ParsePublicKey(bad); err == nil {
			t.Errorf("public key %q is taken", bad)
		}
	}
	for _, name := range []string{"", "a b", "a+b", "a\nb"} {
		if _, err := NewPrivateKey(name, make([]byte, 32)); err == nil {
			t.Errorf("name %q is taken", name)
		}
	}
	if _, err := NewPrivateKey("log.example", make([]byte, 31)); err == nil {
		t.Error("a short seed is taken")
	}
}
