package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"

	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

var update = flag.Bool("update", false, "write testdata/story.golden anew")

// start starts a real server, as the command does.
func start(ctx context.Context, dir string, now func() time.Time) (Server, error) {
	return serve.Start(ctx, serve.Config{CoverageInterval: time.Hour, Address: "127.0.0.1:0", DataDir: dir, Clock: now, Development: true})
}

// The story is told by the real server, so a change of a rule's message, of a
// constant or of the order of things shows here. Ids and the port differ from
// run to run and are left out.
func TestStory(t *testing.T) {
	t.Parallel()
	var story, progress bytes.Buffer
	if err := Run(t.Context(), Options{Out: &story, Progress: &progress, Start: start}); err != nil {
		t.Fatalf("%v\n\nthe story so far:\n%s", err, story.String())
	}
	got := normalise(story.String())
	golden := filepath.Join("testdata", "story.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if line, is, was := firstDifference(got, string(want)); line > 0 {
		t.Errorf("line %d of the story is\n%s\nand was\n%s\n(run with -update when the change is meant)", line, is, was)
	}
	if progress.Len() == 0 {
		t.Error("nobody was told what is being started")
	}
}

// normalise takes out what differs from run to run, how many rules there are, and
// how many entries the log has, her own reads included.
func normalise(story string) string {
	story = regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`).ReplaceAllString(story, "<id>")
	story = regexp.MustCompile(`(checkpoint of|HOLDS:|the|entry) \d+( entries| of the morning|, in tile)`).ReplaceAllString(story, "$1 <n>$2")
	story = regexp.MustCompile(`000\.p/\d+`).ReplaceAllString(story, "000.p/<n>")
	story = regexp.MustCompile(`\d+ rules hold here(.*) \d+ of`).ReplaceAllString(story, "<n> rules hold here$1 <n> of")
	return regexp.MustCompile(`127\.0\.0\.1:\d+`).ReplaceAllString(story, "<address>")
}

// firstDifference returns the first line, from 1, in which two texts differ; 0
// when they do not.
func firstDifference(got, want string) (line int, is, was string) {
	gots, wants := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range max(len(gots), len(wants)) {
		is, was = "(end)", "(end)"
		if i < len(gots) {
			is = gots[i]
		}
		if i < len(wants) {
			was = wants[i]
		}
		if is != was {
			return i + 1, is, was
		}
	}
	return 0, "", ""
}

// Every line of the JSON form is one call, and its parts are messages of the
// contract.
func TestJSON(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	if err := Run(t.Context(), Options{JSON: true, Out: &out, Start: start}); err != nil {
		t.Fatal(err)
	}
	services, failures := map[string]int{}, 0
	for _, line := range strings.Split(strings.TrimSpace(out.String()), "\n") {
		var c jsonCall
		decoder := json.NewDecoder(strings.NewReader(line))
		decoder.DisallowUnknownFields()
		if err := decoder.Decode(&c); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		checkCall(t, c)
		services[strings.Split(c.RPC, "/")[0]]++
		if c.Error != nil {
			failures++
		}
	}
	if len(services) != 8 {
		t.Errorf("the demo calls %d services, not 8: %v", len(services), services)
	}
	if failures == 0 {
		t.Error("no call was refused")
	}
}

func checkCall(t *testing.T, c jsonCall) {
	t.Helper()
	name := protoreflect.FullName(strings.ReplaceAll(c.RPC, "/", "."))
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		t.Fatalf("%s: %v", c.RPC, err)
	}
	method := found.(protoreflect.MethodDescriptor)
	checkMessage(t, c.Request, method.Input().FullName())
	if (c.Response == nil) == (c.Error == nil) {
		t.Fatalf("%s has not exactly one of response and error", c.RPC)
	}
	if c.Error != nil {
		checkMessage(t, c.Error, (&spb.Status{}).ProtoReflect().Descriptor().FullName())
		return
	}
	checkMessage(t, c.Response, method.Output().FullName())
}

func checkMessage(t *testing.T, text json.RawMessage, name protoreflect.FullName) {
	t.Helper()
	found, err := protoregistry.GlobalTypes.FindMessageByName(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := protojson.Unmarshal(text, found.New().Interface()); err != nil {
		t.Fatalf("%s: %v in %s", name, err, text)
	}
}

// The demo cannot end well when the server answers otherwise than expected: the
// first surprise ends the story and no further call is made.
func TestFirstSurpriseEndsTheStory(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	d := &run{ctx: t.Context(), page: newPage(&out), people: newPeople()}
	d.page.say("before")
	d.expect(true, "nothing")
	d.expect(false, "the verdict is %s", "REFUSE")
	d.expect(false, "something else")
	d.page.say("after")
	// There is no connection: a call would crash.
	answer := call[*pb.GetChainRequest, *pb.GetChainResponse](d, d.people.manager, nil, &pb.GetChainRequest{})
	if answer.GetChain() != nil {
		t.Error("a call was made after the story had ended")
	}
	if d.err == nil || d.err.Error() != "the demo expected that the verdict is REFUSE" {
		t.Errorf("the story ended with %v", d.err)
	}
	if out.String() != "before\n" {
		t.Errorf("the page says %q", out.String())
	}
}

// A directory that holds anything is left alone.
func TestDirectoryOfItsOwn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "theirs"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	err := Run(t.Context(), Options{Out: io.Discard, Dir: dir, Start: start})
	if err == nil || !strings.Contains(err.Error(), "is not empty") {
		t.Errorf("the demo in a directory in use ends in %v", err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
		t.Errorf("the directory holds %v, %v", entries, err)
	}
}

func TestWords(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		value protoreflect.Enum
		want  string
	}{
		{pb.Verdict_VERDICT_PROCEED_WITH_CONDITIONS, "proceed with conditions"},
		{pb.Answer_ANSWER_UNSPECIFIED, "unspecified"},
		{pb.Answer(99), "value 99"},
	} {
		if got := enumLabel(c.value); got != c.want {
			t.Errorf("%v in words is %q, not %q", c.value, got, c.want)
		}
	}
}

// Long answers are broken between words and stay behind the bar.
func TestLongAnswersStayBehindTheBar(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	p := newPage(&out)
	p.answer("%s", strings.Repeat("relaxer ", 40))
	for _, line := range strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n") {
		if !strings.HasPrefix(line, "  | ") || len(line) > width {
			t.Errorf("line %q is not behind the bar or too long", line)
		}
	}
	if got := strings.Count(out.String(), "relaxer"); got != 40 {
		t.Errorf("%d of 40 words were written", got)
	}
}

// A page that cannot be written ends the demo with the writer's error.
func TestAPageThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	reader, writer := io.Pipe()
	reader.Close()
	p := newPage(writer)
	p.say("anything")
	p.say("more")
	if p.err != io.ErrClosedPipe {
		t.Errorf("the page's error is %v", p.err)
	}
}

// The catalogue's products name only products that stand before them.
func TestShelfIsInOrder(t *testing.T) {
	t.Parallel()
	known := map[string]bool{"": true}
	for _, e := range products(openingTime()) {
		directions := e.product.GetDirections()
		if !known[directions.GetNormalizer()] || !known[directions.GetNeutralizingShampoo()] {
			t.Errorf("%s names a product that comes later", e.id)
		}
		known[ebb+"/products/"+e.id] = true
	}
}

// A scene changes its own copy of the card.
func TestCardsAreApart(t *testing.T) {
	t.Parallel()
	now := openingTime()
	changed := healthyConsultation(northQuay, newPeople().amara, now)
	changed.Scalp.BrokenSkin = yes
	changed.Hair.Zones[1].Lightened = happenedDaysAgo(now, 60)
	if fresh := healthyConsultation(northQuay, newPeople().amara, now); proto.Equal(changed, fresh) || fresh.Scalp.BrokenSkin != no {
		t.Error("two cards share their answers")
	}
}
