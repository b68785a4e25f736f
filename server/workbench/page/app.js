// Leads through a visit: salon, client, questions, decision, service, record.
import { Failed, call, listen, newID, once, stored, tap, time, upload, waiting, who } from "./server.js";
import { drawForm, make, words } from "./form.js";
import { Service } from "./service.js";
import { createSalon } from "./invented.js";

const main = document.getElementById("main");
const steps = ["Salon", "Client", "Questions", "Decision", "Service", "Record"];
const visit = { salon: stored.get("salon") }; // what this visit is about
let service = null; // the screen of the service, while there is one

// screen shows a screen, and moves the focus to it.
function screen(step, title, ...children) {
  document.getElementById("steps").replaceChildren(...steps.map((name) => make("li", name === step ? { "aria-current": "step" } : {}, name)));
  problem(null);
  const heading = make("h1", { tabindex: "-1" }, title);
  main.replaceChildren(heading, ...children.filter(Boolean));
  heading.focus();
  window.scrollTo(0, 0);
}

// problem shows what went wrong; null: nothing.
function problem(failure) {
  const box = document.getElementById("problem");
  box.hidden = !failure;
  box.textContent = failure ? failure.message : "";
}

// button is a button for one call at a time, which says what fails.
function button(label, act, kind = "next") {
  const made = make("button", { type: "button", class: kind, onclick: async () => {
    made.disabled = true;
    try {
      problem(null);
      await act();
    } catch (failure) {
      if (!(failure instanceof Failed)) throw failure;
      problem(failure);
      document.getElementById("problem").scrollIntoView({ block: "center" });
    } finally {
      made.disabled = false;
    }
  } }, label);
  return made;
}

const till = () => who.till(visit.salon.salon);
const select = (label, options) => {
  const id = newID(), box = make("select", { id }, ...options.map(([value, text]) => make("option", { value }, text)));
  return [make("div", { class: "line" }, make("label", { for: id }, label), box), () => box.value];
};

// chooseSalon asks where, who and with what.
async function chooseSalon() {
  const id = newID(), chain = make("input", { id, value: visit.salon?.chain ?? "chains/ebb", spellcheck: "false" });
  const found = make("div");
  const find = async () => {
    const as = who.manager(chain.value);
    const list = (method) => call(method, { parent: chain.value, pageSize: 500 }, as);
    const [{ salons = [] }, { practitioners = [] }, { products = [] }] = await Promise.all(
      ["DirectoryService/ListSalons", "DirectoryService/ListPractitioners", "CatalogService/ListProducts"].map(list));
    const relaxers = products.filter((p) => p.lots?.length && /RELAXER/.test(p.kind));
    const [where, salon] = select("Salon", salons.map((s) => [s.name, s.displayName]));
    const [person, practitioner] = select("Who does it", practitioners.filter((p) => p.role !== "ROLE_MANAGER").map((p) => [p.name, `${p.displayName}, ${words(p.role, "ROLE_")}`]));
    const [what, product] = select("Product and lot", relaxers.flatMap((p) => p.lots.map((l) => [`${p.name} ${l.lotCode}`, `${p.displayName}, lot ${l.lotCode}`])));
    found.replaceChildren(where, person, what, button("Go on", () => {
      const [name, ...lot] = product().split(" ");
      visit.salon = { chain: chain.value, salon: salon(), practitioner: practitioner(), product: name, lotCode: lot.join(" ") };
      stored.set("salon", visit.salon);
      return chooseClient();
    }));
  };
  screen("Salon", "Which salon?", make("div", { class: "line" }, make("label", { for: id }, "Chain"), chain),
    make("div", { class: "row" }, button("Find", find, "quiet"), button("Set up an invented salon", async () => {
      chain.value = await createSalon();
      await find();
    }, "quiet")), found);
  await find().catch(() => found.replaceChildren(make("p", { class: "hint" }, "No salons found there yet.")));
}

// chooseClient takes a client in.
function chooseClient() {
  const id = newID(), name = make("input", { id, autocomplete: "off", value: "Invented Nia" });
  const found = make("ul", { class: "list" });
  const open = async (client) => {
    visit.client = client;
    await draft();
  };
  screen("Client", "Who comes in?", make("p", { class: "hint" }, "Use invented names only."),
    make("div", { class: "line" }, make("label", { for: id }, "Name, or the beginnings of its words"), name),
    make("div", { class: "row" }, button("Find", async () => {
      const { clients = [] } = await call("ConsultationService/ListClients", { parent: visit.salon.chain, search: name.value }, till());
      found.replaceChildren(...(clients.length ? clients.map((c) => make("li", {}, button(`${c.displayName}, since ${new Date(c.createTime).toLocaleDateString("en-GB")}`, () => open(c.name), "quiet"))) : [make("li", {}, "Nobody found.")]));
    }), button("Take in a new client", async () => {
      await open((await call("ConsultationService/CreateClient", { parent: visit.salon.chain, client: { displayName: name.value }, requestId: newID() }, till())).client.name);
    }, "quiet"), button("Another salon", chooseSalon, "quiet")), found);
}

const planned = () => ({ serviceKind: visit.kind, product: visit.salon.product, lotCode: visit.salon.lotCode });

// draft begins a consultation from the record, and asks what is missing.
async function draft() {
  const { salon, practitioner } = visit.salon;
  visit.kind = "SERVICE_KIND_VIRGIN";
  const { recordCard } = await call("OutcomeService/GetRecordCard", { name: visit.client }, till());
  if (recordCard?.visits?.length) visit.kind = "SERVICE_KIND_RETOUCH";
  const drafted = await call("ConsultationService/DraftConsultation",
    { parent: visit.client, salon, practitioner, serviceKind: visit.kind, planned: planned(), requestId: newID() }, till());
  visit.consultation = drafted.consultation.name;
  visit.submitted = false;
  askForm(drafted.form);
}

// askForm asks the questions of a form.
function askForm(form) {
  const carried = form.carried ?? [];
  const questions = make("form", { class: "form", onsubmit: (e) => e.preventDefault() });
  const answers = drawForm(form, questions);
  // send stores what was answered on the screen, and returns the form of what is open then.
  const send = async () => {
    const given = answers();
    if (!given.answers.length && !given.statements.length && form.questions?.length) return form;
    const answered = await call("ConsultationService/AnswerConsultation",
      { name: visit.consultation, ...given, planned: planned(), submitWhenComplete: true, requestId: newID() }, till());
    visit.submitted = answered.consultation.state === "CONSULTATION_STATE_SUBMITTED";
    return answered.form;
  };
  screen("Questions", form.questions?.length ? "Ask and look" : "All is answered",
    carried.length ? make("details", {}, make("summary", {}, `Known from earlier (${carried.length})`), make("ul", {}, ...carried.map((q) => make("li", {}, `${q.question} ${q.carriedValue}`)))) : null,
    questions,
    make("div", { class: "row" }, button("Check", async () => {
      const next = await send();
      if (next.questions?.length && next.questions.length !== form.questions?.length) askForm(next);
      else await decide(next);
    }), button("Decide with what is known", async () => decide(await send()), "quiet")));
}

// decide asks for the decision, and shows it.
async function decide(form) {
  const { salon, practitioner, product, lotCode } = visit.salon;
  const { decision } = await call("EligibilityService/CheckEligibility",
    { parent: visit.client, consultation: visit.consultation, serviceKind: visit.kind, product, lotCode, practitioner, salon, view: "RECORD_VIEW_BASIC", requestId: newID() }, till());
  const verdict = (decision.standingVerdict ?? "VERDICT_REFUSE").replace("VERDICT_", "");
  const titles = { PROCEED: "Go ahead", PROCEED_WITH_CONDITIONS: "Go ahead, with conditions", ASK: "Ask first", REFER: "Refer to a doctor", REFUSE: "Do not do this service" };
  const go = verdict.startsWith("PROCEED");
  const list = (title, items) => (items?.length ? make("section", {}, make("h2", {}, title), make("ul", {}, ...items.map((i) => make("li", {}, i)))) : null);
  const conditions = (decision.conditions ?? []).map((c) => c.text);
  const instead = (decision.alternatives ?? []).filter((a) => a.suitable).map((a) => [a.title, ...(a.cautions ?? [])].join(". "));
  screen("Decision", titles[verdict] ?? titles.REFUSE,
    make("p", { class: `verdict ${go ? "go" : verdict === "ASK" ? "ask" : "stop"}` }, titles[verdict] ?? titles.REFUSE),
    list("Why", (decision.findings ?? []).map((f) => f.message).filter((m) => !conditions.includes(m))),
    list("Still to ask", (decision.openQuestions ?? []).map((q) => q.question)),
    go ? list("Do this", conditions) : null,
    list("Offer instead", instead),
    make("div", { class: "row" }, go ? button("Start the service", () => (visit.submitted ? start(decision) : submit(form))) : null,
      button("Back to the questions", () => askForm(form), "quiet"), button("Another client", chooseClient, "quiet")),
    make("details", { open: true }, make("summary", {}, "Cautions"), make("ul", {}, ...(decision.cautions ?? []).map((c) => make("li", {}, c)))));
  return decision;
}

// submit freezes the consultation, on which alone a service can begin, and decides again.
async function submit(form) {
  await call("ConsultationService/SubmitConsultation", { name: visit.consultation, requestId: newID() }, till());
  visit.submitted = true;
  const decision = await decide(form);
  if (decision.standingVerdict?.startsWith("VERDICT_PROCEED")) await start(decision);
}

// start begins the service, and stores what is needed without a network.
async function start(decision) {
  const started = await call("ProcessingService/StartSession", { parent: visit.client, decision: decision.name, requestId: newID() }, till());
  const { session, timeSheet } = started;
  stored.set("service", { session: session.name, identity: till(), client: visit.client, sheet: timeSheet, product: session.product, lotCode: session.lotCode,
    conditions: session.conditions, state: session.state, serverTime: started.serverTime, receivedTime: new Date().toISOString() });
  serve();
}

// serve shows the service that the browser has stored.
function serve() {
  const kept = stored.get("service");
  visit.client = kept.client;
  const note = (fact) => tap(kept.session, kept.identity, fact);
  service = new Service(kept, note, finish);
  screen("Service", "The service", service.element);
  document.getElementById("burn").hidden = false;
  document.getElementById("emergency").textContent = kept.sheet.emergencyNumber ?? "112";
  document.getElementById("first-aid").replaceChildren(...(kept.sheet.firstAid ?? []).map((text) => make("p", {}, text)));
  const said = document.getElementById("rinse-state");
  const act = (label, fact) => make("button", { type: "button", onclick: () => { note(fact); said.textContent = `Noted: ${label}`; } }, label);
  document.getElementById("rinse-buttons").replaceChildren(act("Water is on the head", { waterOn: { place: "PLACE_HEAD" } }),
    act("Product in the left eye", { splash: { place: "PLACE_EYE_LEFT" } }), act("Product in the right eye", { splash: { place: "PLACE_EYE_RIGHT" } }),
    act("Water on the left eye", { waterOn: { place: "PLACE_EYE_LEFT" } }), act("Water on the right eye", { waterOn: { place: "PLACE_EYE_RIGHT" } }), act("Help was called", { helpCalled: { kind: "HELP_KIND_EMERGENCY" } }));
  document.getElementById("burns").onclick = () => {
    document.getElementById("rinse").showModal(); // before anything is sent
    service?.rinse();
    note({ comfortCheck: { comfort: "COMFORT_BURNING" } });
    said.textContent = `Noted at ${time.now().toLocaleTimeString("en-GB")}: it burns.`;
  };
}

// finish asks how it ended.
function finish() {
  const broken = newID(), advice = newID();
  const reason = make("input", { id: broken, maxlength: 500 }), home = make("input", { id: advice, maxlength: 300 });
  const [changed, scalp] = select("The scalp, compared with before", [["ANSWER_UNSPECIFIED", "Not looked at yet"], ["ANSWER_NO", "As before"], ["ANSWER_YES", "Changed"]]);
  screen("Record", "How did it end?", changed,
    make("div", { class: "line" }, make("label", { for: broken }, "If it was broken off: why?"), reason),
    make("div", { class: "line" }, make("label", { for: advice }, "Advice for home, as the directions say"), home),
    make("div", { class: "row" }, button("Record the outcome", async () => {
      if (waiting()) throw new Failed("", `${waiting()} facts are not sent yet. Wait for the network.`, "", []);
      const kept = stored.get("service");
      await call("OutcomeService/RecordOutcome", { parent: kept.client, requestId: newID(), outcome: { session: kept.session, completed: !reason.value,
        brokenOffReason: reason.value, scalpChanged: scalp(), homeCareAdvice: home.value ? [home.value] : [] } }, kept.identity);
      stored.set("service", null);
      service = null;
      document.getElementById("burn").hidden = true;
      await record();
    }), button("Back to the service", serve, "quiet")));
}

// record shows the card and the entries on the audit log.
async function record() {
  const card = await call("OutcomeService/GetRecordCard", { name: visit.client, format: "CARD_FORMAT_TEXT" }, till());
  const chain = visit.client.split("/").slice(0, 2).join("/");
  const entries = [];
  for (let pageToken = ""; ;) { // a page may be short and not be the last
    const page = await call("AuditService/ListEntries", { parent: chain, pageSize: 100, pageToken, filter: `client = "${visit.client}"` }, who.auditor(chain));
    entries.push(...(page.entries ?? []));
    pageToken = page.nextPageToken ?? "";
    if (!pageToken) break;
  }
  const rows = entries.map((e) => make("tr", {}, make("td", {}, new Date(e.occurTime).toLocaleTimeString("en-GB")), make("td", {}, words(e.kind, "ENTRY_KIND_")),
    make("td", {}, (e.actor ?? "").split("/").pop()), make("td", {}, e.summary || e.reasonCode || "")));
  screen("Record", "The record card", make("pre", { tabindex: "0" }, card.rendered ?? ""),
    make("h2", {}, "On the audit log"),
    make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Audit log" }, make("table", { class: "log" },
      make("thead", {}, make("tr", {}, ...["Time", "Entry", "Who", "What"].map((h) => make("th", { scope: "col" }, h)))), make("tbody", {}, ...rows))),
    make("div", { class: "row" }, button("Next client", chooseClient)));
}

// refresh reads the state when nothing else brings it; it also measures the network.
async function refresh() {
  const kept = stored.get("service");
  if (!kept || !service) return;
  if (waiting()) {
    upload();
    return;
  }
  try {
    const { session } = await once("ProcessingService/GetSession", { name: kept.session }, kept.identity);
    network(true, 0);
    update(kept.session, session.state);
  } catch (failure) {
    network(!failure.again, waiting());
  }
}

function update(session, state, rejected = []) {
  const kept = stored.get("service");
  if (kept?.session === session) stored.set("service", { ...kept, state, serverTime: time.newest?.serverTime, receivedTime: time.newest?.received });
  service?.show(state);
  if (rejected.length) problem(new Error(rejected.map((r) => `Not recorded: ${r.reason}`).join("\n")));
}

function network(up, facts, failure) {
  const box = document.getElementById("network");
  const text = `${up ? "Connected" : "No network"}${facts ? `, ${facts} kept here` : ""}`;
  if (box.textContent !== text) box.textContent = text;
  box.className = up ? (facts ? "busy" : "up") : "down";
  if (failure) problem(failure);
}

listen("state", update);
listen("network", network);
window.addEventListener("online", () => upload());
setInterval(() => {
  document.getElementById("clock").textContent = time.now().toLocaleTimeString("en-GB");
  service?.tick();
}, 250);
setInterval(refresh, 2000);
document.getElementById("rinse-close").onclick = () => document.getElementById("rinse").close();

upload();
if (stored.get("service")) serve();
else if (visit.salon) chooseClient();
else chooseSalon();
