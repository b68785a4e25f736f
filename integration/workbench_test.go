package integration

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/server/serve"
	"alkalog/server/workbench"
	"alkalog/storage/storagetest"
)

// The promise: the workbench takes a client from the door to the record card, on a
// telephone and on a wide screen, by keyboard too. Without a network it shows the times
// that it was given, and says "rinse now"; afterwards every fact is recorded once.

// browser is Chromium with the workbench open.
type browser struct {
	t    *testing.T
	ctx  context.Context
	name string // of its pictures
}

// handsScript is what hands do: press a button by its text, pick an answer, and answer
// a form for a client with healthy hair.
const handsScript = `
window.press = (text) => {
  const scope = document.querySelector('dialog[open]') ?? document;
  const button = [...scope.querySelectorAll('button')].find(b => b.textContent.startsWith(text) && b.offsetParent !== null && !b.disabled);
  button?.click();
  return !!button;
};
window.pick = (box, label) => {
  const chip = [...box.querySelectorAll(':scope > .chip')].find(c => c.textContent === label);
  chip?.querySelector('input').click();
  return !!chip;
};
window.answer = () => {
  const choices = [[/metallic-salt test and/, 'One by one'], [/metallic-salt test show/, 'Slightly lighter, nothing else'],
    [/strand test show/, 'Sound and straight enough'], [/explained/, 'Yes'], [/curl type/, 'VI'], [/stretch test/, 'Stretches and returns'],
    [/fine, medium/, 'Medium'], [/How much hair/, 'Thick'], [/condition is the hair/, 'Sound'], [/porous is the hair/, 'Average']];
  const numbers = [[/long is the hair/, 240], [/curl does/, 70], [/How old/, 34], [/test strand take/, 13]];
  for (let pass = 0; pass < 3; pass++) {
    for (const box of document.querySelectorAll('fieldset.choices')) {
      if (box.offsetParent === null || box.querySelector(':scope > .chip input:checked')) continue;
      const wanted = choices.find(([words]) => words.test(box.querySelector('legend').textContent))?.[1];
      [wanted, 'None of these', 'The client confirms: none', 'No'].some(label => pick(box, label));
    }
  }
  for (const line of document.querySelectorAll('.line')) {
    const number = numbers.find(([words]) => words.test(line.textContent))?.[1];
    if (number && line.offsetParent !== null) line.querySelector('input').value = number;
  }
};
// contrastOf is the contrast of an element's text with what is behind it (from memory: W3C, Web
// Content Accessibility Guidelines 2, 1.4.3: at least 4.5).
window.contrastOf = (element) => {
  const channels = (colour) => colour.match(/[\d.]+/g).map(Number);
  let behind = element;
  while (behind && channels(getComputedStyle(behind).backgroundColor)[3] === 0) behind = behind.parentElement;
  const luminance = (colour) => channels(colour).slice(0, 3).map(c => c / 255)
    .map(c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4).reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const [dark, light] = [luminance(getComputedStyle(element).color), luminance(getComputedStyle(behind ?? document.body).backgroundColor)].sort((a, b) => a - b);
  return (light + 0.05) / (dark + 0.05);
};
// flaws lists what makes a screen unusable: controls without a name, and a page that is
// wider than the screen.
window.flaws = () => {
  const found = [];
  if (document.documentElement.scrollWidth > window.innerWidth) found.push('wider than the screen: ' + document.documentElement.scrollWidth);
  for (const control of document.querySelectorAll('button, input, select, summary, a')) {
    if (control.offsetParent !== null && !(control.textContent.trim() || control.labels?.[0]?.textContent.trim())) found.push('without a name: ' + control.outerHTML);
  }
  for (const button of document.querySelectorAll('button')) {
    if (button.offsetParent !== null && button.getBoundingClientRect().height < 44) found.push('too low for a finger: ' + button.textContent);
  }
  for (const box of document.querySelectorAll('button, label, legend, li, p, td, th, h1, h2, summary, .chip span')) {
    const contrast = contrastOf(box);
    if (box.offsetParent !== null && box.textContent.trim() && contrast < 4.5) found.push('contrast ' + contrast.toFixed(1) + ': ' + box.textContent.trim());
  }
  if (document.querySelectorAll('h1').length !== 1) found.push('not one heading');
  return found;
};`

// open opens the workbench at an address.
func openBrowser(t *testing.T, address string, width int64, scheme string) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("Chromium is not installed")
	}
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(waitTimeout))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx, chromedp.WithErrorf(func(string, ...any) {}))
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, name: fmt.Sprintf("%d-%s", width, scheme)}
	chromedp.ListenTarget(ctx, func(event any) {
		if thrown, ok := event.(*runtime.EventExceptionThrown); ok {
			t.Errorf("the page failed: %v", thrown.ExceptionDetails)
		}
	})
	b.run(chromedp.EmulateViewport(width, 900),
		emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
		chromedp.Navigate("http://"+address+"/"))
	b.waitFor("document.querySelector('h1')")
	b.run(chromedp.Evaluate(handsScript+";0", nil))
	return b
}

func (b *browser) run(actions ...chromedp.Action) {
	b.t.Helper()
	if err := chromedp.Run(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

// text evaluates an expression that gives a text.
func (b *browser) text(expression string) string {
	b.t.Helper()
	var text string
	b.run(chromedp.Evaluate("String("+expression+")", &text))
	return text
}

// waitFor waits until an expression holds.
func (b *browser) waitFor(expression string) {
	b.t.Helper()
	deadline := time.Now().Add(waitTimeout)
	for b.text("!!("+expression+")") != "true" {
		if time.Now().After(deadline) {
			b.picture("failed")
			b.t.Fatalf("waited in vain for %s; the page shows:\n%s", expression, b.text("document.body.innerText"))
		}
		b.run(chromedp.Poll("true", nil, chromedp.WithPollingInterval(20*time.Millisecond)))
	}
}

// press presses the button whose text begins so.
func (b *browser) press(label string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf("press(%q)", label))
}

// arrives waits for a screen, and looks at it.
func (b *browser) arrives(title string) {
	b.t.Helper()
	b.waitFor(fmt.Sprintf("document.querySelector('h1')?.textContent === %q", title))
	b.look(title)
}

// look looks for what makes a screen unusable.
func (b *browser) look(title string) {
	b.t.Helper()
	if flaws := b.text("flaws().join('\\n')"); flaws != "" {
		b.t.Errorf("%s, %s: %s", title, b.name, flaws)
	}
	b.picture(title)
}

// picture stores what is on the screen in the directory ALKALOG_TEST_PICTURES, for people.
func (b *browser) picture(title string) {
	b.t.Helper()
	dir := os.Getenv("ALKALOG_TEST_PICTURES")
	if dir == "" {
		return
	}
	var png []byte
	b.run(chromedp.FullScreenshot(&png, 100))
	name := strings.ToLower(strings.NewReplacer(" ", "-", "?", "", ",", "").Replace(b.name + "-" + title))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// byKeyboard presses the button of an id with the Enter key.
func (b *browser) byKeyboard(id string) {
	b.t.Helper()
	b.run(chromedp.Focus("#"+id, chromedp.ByQuery), chromedp.KeyEvent(kb.Enter))
}

func TestWorkbench(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("chromium"); err != nil {
		t.Skip("Chromium is not installed")
	}
	s := &testServer{
		clock: &clock{now: time.Now()}, database: storagetest.NewDatabase(t), keys: newKeys(t),
		configure: func(cfg *serve.Config) {
			cfg.Clock, cfg.WebAddress, cfg.WebPage = nil, "127.0.0.1:0", workbench.Page()
		},
	}
	s.start(t)
	for _, screen := range []struct {
		width  int64
		scheme string
	}{{400, "dark"}, {1400, "light"}} {
		t.Run(fmt.Sprint(screen.width), func(t *testing.T) {
			between := newNetwork(t)
			between.lead(s.web)
			s.playWorkbench(t, openBrowser(t, between.address(), screen.width, screen.scheme), between)
		})
	}
}

// playWorkbench plays a visit in a browser.
func (s *testServer) playWorkbench(t *testing.T, b *browser, between *network) {
	t.Helper()
	b.arrives("Which salon?")
	b.press("Set up an invented salon")
	b.press("Go on")
	b.arrives("Who comes in?")
	b.run(chromedp.SetValue("main input", "Orla Marsh", chromedp.ByQuery))
	b.press("Take in a new client")
	b.arrives("Ask and look")
	b.refuseWorkbench()
	b.press("Another client")
	b.arrives("Who comes in?")
	b.run(chromedp.SetValue("main input", "mars orl", chromedp.ByQuery))
	b.press("Find")
	b.waitFor("document.querySelector('main .list button')?.textContent.startsWith('Orla Marsh, since')")
	b.run(chromedp.SetValue("main input", "Wilhelmina Quist", chromedp.ByQuery))
	b.press("Take in a new client")
	b.arrives("Ask and look")
	b.run(chromedp.Evaluate("answer();0", nil))
	b.look("Answered")
	b.press("Check")
	b.arrives("Go ahead, with conditions")
	b.press("Start the service")
	b.arrives("The service")
	b.press("Product and lot")
	b.press("Cover the whole scalp")
	b.press("Product is on: mid")
	b.waitFor("document.querySelector('.phase').textContent === 'Product is on' && document.querySelector('#network').className === 'up'")
	session := b.text("JSON.parse(localStorage['workbench.service']).session")

	between.set(onlyRequests)
	b.press("Springs back")
	eventually(t, "the strand test to be recorded", func() bool { return s.factCounts(t, session)["strand_test"] > 0 })
	between.set(nothing)
	times := b.text("document.querySelector('tbody').innerText.replace(/\\d+:\\d\\d\\t/g, '')") // without the clocks that count
	b.byKeyboard("burns")
	b.waitFor("document.querySelector('dialog[open] h2')?.textContent === 'Rinse now'")
	if focus := b.text("document.activeElement.id"); focus != "rinse-title" {
		t.Errorf("%q has the focus: a second press of Enter would say that water is on", focus)
	}
	b.look("Rinse now")
	b.press("Water is on the head")
	b.press("Back to the service")
	b.waitFor("document.querySelector('#network').textContent === 'No network, 3 kept here'")
	b.waitFor("document.querySelector('.alarm.urgent')?.textContent.startsWith('It burns: rinse now')")
	b.look("Without a network")
	if now := b.text("document.querySelector('tbody').innerText.replace(/\\d+:\\d\\d\\t/g, '')"); now != times {
		t.Errorf("without a network the times are\n%s\nthey were\n%s", now, times)
	}
	if clock := b.text("document.querySelector('.elapsed[data-since]').textContent"); clock == "0:00" {
		t.Error("without a network the clock stands still")
	}
	if kept := b.text("JSON.stringify(localStorage)"); strings.Contains(kept, "Quist") || !strings.Contains(kept, "COMFORT_BURNING") {
		t.Errorf("the browser stores a name, or lacks a fact: %s", kept)
	}
	between.set(everything)
	b.waitFor("document.querySelector('#network').textContent === 'Connected' && document.querySelector('.alarm.urgent')")
	b.waitFor("/^Water on the head: [0-9]+ of at least 15 min$/.test(document.querySelector('.water')?.textContent)")
	b.look("Connected again")
	s.wantOnce(t, session, "product_confirmed", "base_applied", "condition_met", "stage_applied", "strand_test", "comfort_check", "water_on")

	b.run(chromedp.Reload())
	b.run(chromedp.Evaluate(handsScript+";0", nil))
	b.arrives("The service") // what the browser has stored leads back to it

	b.press("Close the record")
	b.arrives("How did it end?")
	if seen := b.text("document.querySelector('main select').selectedOptions[0].textContent"); seen != "Not looked at yet" {
		t.Errorf("before anybody looked, the scalp is %q", seen)
	}
	b.run(chromedp.SetValue("main input", "It burned", chromedp.ByQuery))
	b.press("Record the outcome")
	b.arrives("The record card")
	if page := b.text("main.innerText"); !strings.Contains(page, "It burned") || !strings.Contains(page, "an incident was recorded") {
		t.Errorf("card or audit log lacks what happened:\n%s", page)
	}
}

// refuseWorkbench answers that the skin is broken. The page says what to offer instead, in
// words, and nothing that is not suitable; the cautions are open.
func (b *browser) refuseWorkbench() {
	b.t.Helper()
	b.run(chromedp.Evaluate(`answer(); pick([...document.querySelectorAll('fieldset.choices')].find(f => /broken or sore/.test(f.textContent)), 'One by one');
		pick([...document.querySelectorAll('.singly fieldset.choices')].find(f => /scalp broken anywhere/.test(f.textContent)), 'Yes'); 0`, nil))
	b.press("Decide with what is known") // what is answered on the screen counts
	b.arrives("Do not do this service")
	page := b.text("main.innerText")
	for _, want := range []string{"The skin is broken", "Offer instead", "Wait, and fix a day now", "Follow the manufacturer's directions"} {
		if !strings.Contains(page, want) {
			b.t.Errorf("the refusal lacks %q:\n%s", want, page)
		}
	}
	if strings.Contains(page, "Blow-dry") {
		b.t.Errorf("the refusal offers heat on broken skin:\n%s", page)
	}
	if empty := b.text("[...document.querySelectorAll('main li')].filter(l => !l.innerText.trim() || /undefined/.test(l.innerText)).length"); empty != "0" {
		b.t.Errorf("the refusal has %s empty lines:\n%s", empty, page)
	}
}

// factCounts is how often each fact of a session is recorded.
func (s *testServer) factCounts(t *testing.T, session string) map[string]int {
	t.Helper()
	amara := person{"chains/ebb/practitioners/amara", pb.Role_ROLE_PRACTITIONER}
	count := map[string]int{}
	for _, stored := range must(t, amara, s.processing.ListEvents, &pb.ListEventsRequest{Parent: session, PageSize: 500}).Events {
		count[string(factOf(stored.Event).Name())]++
	}
	return count
}

// wantOnce checks that a session has each fact once.
func (s *testServer) wantOnce(t *testing.T, session string, facts ...string) {
	t.Helper()
	count := s.factCounts(t, session)
	for _, fact := range facts {
		if count[fact] != 1 {
			t.Errorf("%s is recorded %d times: %v", fact, count[fact], count)
		}
	}
}
