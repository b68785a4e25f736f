package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/keys"
)

// keyFiles are what a first installation needs.
var keyFiles = strings.Fields("authority.crt authority.key server.crt server.key tokens tokens.jwks log clients revoked")

// newKeys makes the keys of an installation.
func newKeys(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "keys")
	if code, out, problems := command(t, "keys", "--dir", dir); code != 0 || len(strings.Fields(out)) != len(keyFiles) {
		t.Fatalf("keys: exit code %d: %s%s", code, out, problems)
	}
	return dir
}

// TestKeysAreNeverOverwritten: a second time changes no byte, a file that is
// missing comes back alone, and half a pair is left for a person to mend.
func TestKeysAreNeverOverwritten(t *testing.T) {
	t.Parallel()
	dir := newKeys(t)
	sums := func() map[string][32]byte {
		found := map[string][32]byte{}
		for _, name := range keyFiles {
			content, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			found[name] = sha256.Sum256(content)
			info, err := os.Stat(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			public := strings.HasSuffix(name, ".crt") || name == "tokens.jwks" || name == "revoked"
			if secret := info.Mode().Perm() == 0o600; secret == public {
				t.Errorf("%s has the rights %v", name, info.Mode().Perm())
			}
		}
		return found
	}
	wantSame := func(what string, before, after map[string][32]byte, but string) {
		t.Helper()
		for name := range before {
			if (before[name] == after[name]) == (name == but) {
				t.Errorf("%s: %s was changed: %v", what, name, before[name] != after[name])
			}
		}
	}
	before := sums()
	if code, out, problems := command(t, "keys", "--dir", dir); code != 0 || out != "" || !strings.Contains(problems, "nothing was changed") {
		t.Errorf("again: exit code %d: %s%s", code, out, problems)
	}
	wantSame("again", before, sums(), "")
	if err := os.Remove(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	if code, out, problems := command(t, "keys", "--dir", dir); code != 0 || out != filepath.Join(dir, "log")+"\n" {
		t.Errorf("without the log's: exit code %d: %s%s", code, out, problems)
	}
	wantSame("without the log's", before, sums(), "log")
	before = sums()
	if err := os.Rename(filepath.Join(dir, "tokens.jwks"), filepath.Join(dir, "aside")); err != nil {
		t.Fatal(err)
	}
	if code, _, problems := command(t, "keys", "--dir", dir); code != 1 || !strings.Contains(problems, "tokens.jwks does not") {
		t.Errorf("half a pair: exit code %d: %s", code, problems)
	}
	if err := os.Rename(filepath.Join(dir, "aside"), filepath.Join(dir, "tokens.jwks")); err != nil {
		t.Fatal(err)
	}
	wantSame("half a pair", before, sums(), "")
	const till = "chains/ebb/salons/north/tills/front-1"
	for _, want := range []int{0, 1} {
		if code, _, problems := command(t, "keys", "till", till, "--dir", dir); code != want {
			t.Errorf("a till's certificate: exit code %d, want %d: %s", code, want, problems)
		}
	}
	wantSame("a till", before, sums(), "")
}

// TestRotation: a new key comes before the old ones, and old ones go only when
// they are told to.
func TestRotation(t *testing.T) {
	t.Parallel()
	dir := newKeys(t)
	lines := func(name string) []string {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		var found []string
		for line := range strings.Lines(string(content)) {
			if !strings.HasPrefix(line, "#") {
				found = append(found, line)
			}
		}
		return found
	}
	for _, name := range []string{"tokens", "log", "clients"} {
		first := lines(name)
		if code, _, problems := command(t, "keys", "rotate", name, "--dir", dir); code != 0 {
			t.Errorf("%s: exit code %d: %s", name, code, problems)
		}
		if both := lines(name); len(both) != 2 || both[0] == first[0] || both[1] != first[0] {
			t.Errorf("%s: the new key is not before the old one", name)
		}
		code, _, problems := command(t, "keys", "rotate", name, "--drop", "--dir", dir)
		if want, left := map[string]int{"clients": 2}[name], len(lines(name)); code != want || left != 1+want/2 {
			t.Errorf("%s: exit code %d, want %d; %d keys are left: %s", name, code, want, left, problems)
		}
		if name == "log" && !slices.Equal(lines("log.dropped"), first) {
			t.Error("the dropped key of the log is lost, and with it a log that it alone has signed")
		}
	}
	for line, want := range map[string]int{
		"keys": 2, "token --role operator --name operators/me": 2,
		"keys rotate doors --dir " + dir: 2, "keys till chains/ebb/practitioners/amara --dir " + dir: 2,
		"keys till chains/ebb/salons/north/tills/a --for 100000h --dir " + dir: 1, "keys rotate tokens --dir /nowhere": 1,
		"token --role manager --name chains/ebb --dir " + dir: 1, "token --role manager --dir " + dir: 2,
		"token --role student --name chains/ebb/practitioners/li --salon chains/other/salons/north --dir " + dir: 1,
		"token --role operator --name operators/me --for=-1h --dir " + dir:                                       1,
	} {
		if code, out, problems := command(t, strings.Fields(line)...); code != want || out != "" {
			t.Errorf("%s: exit code %d, want %d: %s%s", line, code, want, out, problems)
		}
	}
}

// secure is a TLS connection that authenticates with the certificate.
func (p *process) secure(t *testing.T, dir string, cert ...tls.Certificate) *grpc.ClientConn {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "authority.crt"))
	if err != nil {
		t.Fatal(err)
	}
	config := &tls.Config{RootCAs: x509.NewCertPool(), Certificates: cert}
	config.RootCAs.AppendCertsFromPEM(text)
	conn, err := grpc.NewClient(p.address, grpc.WithTransportCredentials(credentials.NewTLS(config)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// TestFirstInstallation: from nothing to a served chain, by the commands alone;
// no secret is said on the way.
func TestFirstInstallation(t *testing.T) {
	t.Parallel()
	dir := newKeys(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	p := start(t, "serve", "--data-dir", publicDir(t), "--address", "127.0.0.1:0", "--keys-dir", dir, "--tls-cert", in("server.crt"),
		"--tls-key", in("server.key"), "--client-ca", in("authority.crt"), "--jwks", in("tokens.jwks"), "--revoked", in("revoked"))
	if !strings.Contains(p.said, "with TLS") || strings.Contains(p.said, "DEVELOPMENT") || !strings.Contains(p.said, "people with a token") {
		t.Errorf("it says\n%s", p.said)
	}
	conn := p.secure(t, dir)
	token := func(args ...string) context.Context {
		t.Helper()
		code, out, problems := command(t, append([]string{"token", "--dir", dir}, args...)...)
		if code != 0 || problems != "" {
			t.Fatalf("token: exit code %d: %s", code, problems)
		}
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		t.Cleanup(cancel)
		return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+strings.TrimSpace(out))
	}
	directory := pb.NewDirectoryServiceClient(conn)
	operator := token("--role=operator", "--name=operators/me")
	if _, err := directory.CreateChain(operator, &pb.CreateChainRequest{ChainId: "ebb", Chain: &pb.Chain{DisplayName: "Ebb and Flow Hair"},
		RequestId: "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"}); err != nil {
		t.Fatal(err)
	}
	manager := token("--role=manager", "--name=chains/ebb/practitioners/odile", "--for=1h")
	if _, err := directory.CreateSalon(manager, &pb.CreateSalonRequest{Parent: "chains/ebb", SalonId: "north", RequestId: "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d28",
		Salon: &pb.Salon{DisplayName: "North", Jurisdiction: pb.Jurisdiction_JURISDICTION_UK, TimeZone: "Europe/London"}}); err != nil {
		t.Fatal(err)
	}
	code, out, problems := command(t, "keys", "till", "chains/ebb/salons/north/tills/front-1", "--dir", dir)
	if code != 0 {
		t.Fatal(problems)
	}
	files := regexp.MustCompile(`(?m)^(?:certificate|key) +(\S+)$`).FindAllStringSubmatch(out, 2)
	cert, err := tls.LoadX509KeyPair(files[0][1], files[1][1])
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	if _, err := pb.NewDirectoryServiceClient(p.secure(t, dir, cert)).GetSalon(ctx, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"}); err != nil {
		t.Errorf("by the till: %v", err)
	}
	if _, err := directory.GetSalon(ctx, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("by nobody: %v", err)
	}
	wantRotated(t, dir, directory, manager, token)
	p.said += p.signal(t, syscall.SIGTERM)
	p.wantNoSecrets(t, dir)
}

// wantRotated gives a running server a new key of tokens: the old one is good
// beside it, and no longer when it is dropped.
func wantRotated(t *testing.T, dir string, directory pb.DirectoryServiceClient, old context.Context, token func(...string) context.Context) {
	t.Helper()
	answered := func(ctx context.Context) bool {
		_, err := directory.GetSalon(ctx, &pb.GetSalonRequest{Name: "chains/ebb/salons/north"})
		if err != nil && status.Code(err) != codes.Unauthenticated {
			t.Fatal(err)
		}
		return err == nil
	}
	rotate := func(args ...string) {
		t.Helper()
		if code, _, problems := command(t, append([]string{"keys", "rotate", "tokens", "--dir", dir}, args...)...); code != 0 {
			t.Fatal(problems)
		}
	}
	rotate()
	fresh := token("--role=manager", "--name=chains/ebb/practitioners/odile")
	within(t, "the new key is good", func() bool { return answered(fresh) })
	if !answered(old) {
		t.Error("the old key is not good beside the new one")
	}
	rotate("--drop")
	within(t, "the old key is no longer good", func() bool { return !answered(old) })
	if !answered(fresh) {
		t.Error("the new key is not good alone")
	}
	if err := os.WriteFile(filepath.Join(dir, "revoked"), []byte("chains/ebb/practitioners/odile\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	within(t, "the bearer is revoked", func() bool { return !answered(fresh) })
}

// within waits for what another process does in its own time.
func within(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(patience)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("gave up waiting until %s", what)
		}
	}
}

// wantNoSecrets checks that nothing of the key files, nor any token, was said.
func (p *process) wantNoSecrets(t *testing.T, dir string) {
	t.Helper()
	said := p.said
	if strings.Contains(said, "Bearer ey") {
		t.Error("a token was said")
	}
	for _, name := range []string{"authority.key", "server.key", "tokens", "log", "clients"} {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range strings.Fields(string(content)) {
			if len(word) >= 20 && strings.Contains(said, word) {
				t.Errorf("a secret of %s was said", name)
			}
		}
	}
}

// TestRotatedServerKeepsItsNames: a certificate without a name by which tills connect
// would cut them off at once.
func TestRotatedServerKeepsItsNames(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "keys")
	if code, _, problems := command(t, "keys", "--dir", dir, "--host", "salon.example", "--host", "192.0.2.7"); code != 0 {
		t.Fatal(problems)
	}
	names := func() []string {
		content, err := os.ReadFile(filepath.Join(dir, "server.crt"))
		if err != nil {
			t.Fatal(err)
		}
		cert, err := keys.Pair{Cert: content}.Certificate()
		if err != nil {
			t.Fatal(err)
		}
		all := slices.Clone(cert.DNSNames)
		for _, ip := range cert.IPAddresses {
			all = append(all, ip.String())
		}
		return slices.Sorted(slices.Values(all))
	}
	before := names()
	rotate := func(args ...string) (int, string) {
		code, _, problems := command(t, append([]string{"keys", "rotate", "server", "--dir", dir}, args...)...)
		return code, problems
	}
	if code, problems := rotate(); code != 0 || !slices.Equal(names(), before) {
		t.Errorf("rotated: exit code %d, names %q, before %q: %s", code, names(), before, problems)
	}
	if code, problems := rotate("--host", "new.example"); code != 0 || !slices.Contains(names(), "new.example") || !slices.Contains(names(), "salon.example") {
		t.Errorf("with another name: exit code %d, names %q: %s", code, names(), problems)
	}
	if code, problems := rotate("--drop-host", "192.0.2.7", "--drop-host", "new.example"); code != 0 || slices.Contains(names(), "192.0.2.7") || !slices.Contains(names(), "salon.example") {
		t.Errorf("without two names: exit code %d, names %q: %s", code, names(), problems)
	}
	left := names()
	if code, problems := rotate("--drop-host", "salon.exampel"); code != 1 || !strings.Contains(problems, "salon.example") || !slices.Equal(names(), left) {
		t.Errorf("a misspelt name: exit code %d, names %q: %s", code, names(), problems)
	}
}

// request makes a signing request with a new key, and returns its file.
func request(t *testing.T, uri string) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.CertificateRequest{Subject: pkix.Name{CommonName: "a till"}, DNSNames: []string{"salon.example"}}
	if uri != "" {
		at, err := url.Parse(uri)
		if err != nil {
			t.Fatal(err)
		}
		template.URIs = []*url.URL{at}
	}
	raw, err := x509.CreateCertificateRequest(rand.Reader, template, key)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "till.csr")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE REQUEST", Bytes: raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestSigningRequests: a certificate is issued for the key of the request and for the
// name that the operator gives, and takes nothing else from the request.
func TestSigningRequests(t *testing.T) {
	t.Parallel()
	dir := newKeys(t)
	const till = "chains/ebb/salons/north/tills/front-1"
	code, out, problems := command(t, "keys", "sign", request(t, "alkalog:///"+till), till, "--dir", dir)
	if code != 0 || strings.Contains(out, "key ") {
		t.Fatalf("exit code %d: %s%s", code, out, problems)
	}
	content, err := os.ReadFile(filepath.Join(dir, "issued", strings.ReplaceAll(till, "/", ".")+".crt"))
	if err != nil {
		t.Fatal(err)
	}
	cert, err := keys.Pair{Cert: content}.Certificate()
	if err != nil {
		t.Fatal(err)
	}
	if len(cert.URIs) != 1 || cert.URIs[0].String() != "alkalog:///"+till || len(cert.DNSNames) != 0 || cert.IsCA ||
		!slices.Equal(cert.ExtKeyUsage, []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}) {
		t.Errorf("the certificate names %v and %q, for %v", cert.URIs, cert.DNSNames, cert.ExtKeyUsage)
	}
	forged := request(t, "")
	text, err := os.ReadFile(forged)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(text)
	block.Bytes[len(block.Bytes)-1] ^= 1 // in the signature
	if err := os.WriteFile(forged, pem.EncodeToMemory(block), 0o600); err != nil {
		t.Fatal(err)
	}
	for what, args := range map[string][]string{
		"again":                        {request(t, ""), till},
		"asks for another name":        {request(t, "alkalog:///chains/ebb/salons/north/tills/front-2"), "chains/ebb/salons/north/tills/front-3"},
		"a signature that is wrong":    {forged, "chains/ebb/salons/north/tills/front-4"},
		"a certificate, not a request": {filepath.Join(dir, "server.crt"), "chains/ebb/salons/north/tills/front-5"},
	} {
		if code, out, problems := command(t, append([]string{"keys", "sign", "--dir", dir}, args...)...); code != 1 || out != "" {
			t.Errorf("%s: exit code %d: %s%s", what, code, out, problems)
		}
	}
	if code, _, problems := command(t, "keys", "sign", "--dir", dir, request(t, ""), "chains/ebb/practitioners/amara"); code != 2 {
		t.Errorf("a person: exit code %d: %s", code, problems)
	}
}

// TestSeveralCertificatesAndTheirEnds: a file of names is issued at once, or not at all
// if one name is wrong, and the list shows which certificate expires first.
func TestSeveralCertificatesAndTheirEnds(t *testing.T) {
	t.Parallel()
	dir := newKeys(t)
	names := filepath.Join(t.TempDir(), "tills")
	write := func(text string) {
		if err := os.WriteFile(names, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("chains/ebb/salons/north/tills/a\nchains/ebb/tills/no-salon\n")
	if code, out, problems := command(t, "keys", "till", "--from", names, "--dir", dir); code != 2 || out != "" || !strings.Contains(problems, "no-salon") {
		t.Errorf("a wrong name: exit code %d: %s%s", code, out, problems)
	}
	write("# tills of the north\nchains/ebb/salons/north/tills/a\n\nchains/ebb/salons/north/tills/b\n")
	if code, out, problems := command(t, "keys", "till", "--from", names, "--for", "48h", "--dir", dir); code != 0 || strings.Count(out, "sha-256") != 2 {
		t.Errorf("two names: exit code %d: %s%s", code, out, problems)
	}
	code, out, _ := command(t, "keys", "list", "--dir", dir)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); code != 0 || len(lines) != 4 || !strings.Contains(lines[0], "tills/a") || !strings.Contains(lines[3], "installation") {
		t.Errorf("the list: exit code %d: %s", code, out)
	}
	if code, out, problems := command(t, "keys", "list", "--within", "720h", "--dir", dir); code != 1 || strings.Count(out, "\n") != 2 || !strings.Contains(problems, "2 certificates") {
		t.Errorf("within 30 days: exit code %d: %s%s", code, out, problems)
	}
	if code, out, _ := command(t, "keys", "list", "--within", "1h", "--dir", dir); code != 0 || out != "" {
		t.Errorf("within an hour: exit code %d: %s", code, out)
	}
}

// TestIssuingSecretsCanBeElsewhere: the directory of the server has neither the key of the
// authority nor those of tokens, and certificates and tokens are issued all the same.
func TestIssuingSecretsCanBeElsewhere(t *testing.T) {
	t.Parallel()
	dir, issuing := filepath.Join(t.TempDir(), "keys"), filepath.Join(t.TempDir(), "issuing")
	for _, args := range [][]string{
		{"keys"}, {"keys", "till", "chains/ebb/salons/north/tills/a"}, {"keys", "rotate", "server"}, {"keys", "rotate", "tokens"}, {"keys", "rotate", "tokens", "--drop"},
		{"token", "--role", "operator", "--name", "operators/me"},
	} {
		if code, _, problems := command(t, append(args, "--dir", dir, "--issuing-dir", issuing)...); code != 0 {
			t.Fatalf("%q: exit code %d: %s", args, code, problems)
		}
	}
	for _, name := range []string{"authority.key", "tokens"} {
		if _, err := os.Stat(filepath.Join(dir, name)); !os.IsNotExist(err) {
			t.Errorf("%s is beside the keys of the server: %v", name, err)
		}
		if _, err := os.Stat(filepath.Join(issuing, name)); err != nil {
			t.Error(err)
		}
	}
	// The medium is put away: a server runs without it, and accepts what was issued.
	_, token, _ := command(t, "token", "--role", "operator", "--name", "operators/me", "--dir", dir, "--issuing-dir", issuing)
	if err := os.RemoveAll(issuing); err != nil {
		t.Fatal(err)
	}
	in := func(name string) string { return filepath.Join(dir, name) }
	p := start(t, "serve", "--data-dir", publicDir(t), "--keys-dir", dir, "--address", "127.0.0.1:0", "--tls-cert", in("server.crt"), "--tls-key", in("server.key"),
		"--client-ca", in("authority.crt"), "--jwks", in("tokens.jwks"), "--revoked", in("revoked"))
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.TrimSpace(token)), patience)
	defer cancel()
	_, err := pb.NewDirectoryServiceClient(p.secure(t, dir)).CreateChain(ctx, &pb.CreateChainRequest{ChainId: "ebb", Chain: &pb.Chain{DisplayName: "Ebb"},
		RequestId: "018f6b2e-7c1a-7d3e-9b52-0a4c6e1f8d27"}, grpc.WaitForReady(true))
	if err != nil {
		t.Errorf("a server without the issuing keys: %v", err)
	}
	p.signal(t, syscall.SIGTERM)
}
