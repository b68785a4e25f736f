// A complete till for one visit.
//
// It takes the visit of a file from the consultation to the record card. What happens during
// the service is read from standard input, a word a line, as from the buttons of a screen;
// "facts" in the file says which fact a word is. A tap never waits for the network: the fact
// is kept in a file, and brought to the server in the background.
//
//   npm ci && npm run build
//   node built/till.js --address 127.0.0.1:7421 --authority authority.crt \
//     --certificate till.crt --key till.key --uploads uploads.json ../visit.json
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { setTimeout as sleep } from "node:timers/promises";
import { parseArgs } from "node:util";
import { create, fromJson, type JsonObject } from "@bufbuild/protobuf";
import { type Timestamp, timestampDate, timestampFromDate } from "@bufbuild/protobuf/wkt";
import { ClientSchema } from "./generated/alkalog/v1/client_pb.js";
import { ConsultationSchema } from "./generated/alkalog/v1/consultation_pb.js";
import { CheckEligibilityRequestSchema } from "./generated/alkalog/v1/eligibility_service_pb.js";
import { type Decision, Verdict } from "./generated/alkalog/v1/decision_pb.js";
import { OutcomeSchema } from "./generated/alkalog/v1/outcome_pb.js";
import { ClockEchoSchema, EventStatus, RecordEventsRequestSchema, type StartSessionResponse } from "./generated/alkalog/v1/processing_service_pb.js";
import { AlarmKind, type SessionState } from "./generated/alkalog/v1/session_pb.js";
import { Connection, Failed } from "./connection.js";
import { Uploads } from "./uploads.js";

// A watch that is silent for so long is dead.
const silentMs = 45_000;

interface Visit {
  parent: string; client: JsonObject; check: JsonObject; consultation: JsonObject;
  hours_ago: Record<string, number>; facts: Record<string, JsonObject>; outcome: JsonObject;
}

// Echo is the newest time of the server, from which it computes how wrong the till's clock is.
class Echo {
  private newest?: { serverTime: Timestamp; receiveTime: Date; at: number };

  note(serverTime?: Timestamp): void {
    if (serverTime && !(this.newest && timestampDate(serverTime) < timestampDate(this.newest.serverTime))) {
      this.newest = { serverTime, receiveTime: new Date(), at: performance.now() };
    }
  }

  // measured is what one attempt says of the clock.
  measured() {
    const sendTime = timestampFromDate(new Date());
    if (!this.newest) return { sendTime };
    const { serverTime, receiveTime, at } = this.newest;
    return { sendTime, echo: create(ClockEchoSchema, {
      serverTime, receiveTime: timestampFromDate(receiveTime), elapsedMs: BigInt(Math.round(performance.now() - at)) }) };
  }
}

const say = (...words: unknown[]) => console.log(...words);

class Till {
  private readonly echo = new Echo();
  private shown = "";
  private shownAt = 0;
  private offline = false;
  private failure?: Failed;
  private wake = () => {};

  constructor(private readonly server: Connection, private readonly uploads: Uploads, private readonly visit: Visit) {
    void this.upload(); // also what an earlier run has left
  }

  // show prints the alarms of a state, most urgent first, when they differ from what is shown.
  // A state that is older than the one shown is left out: a call and the watch bring both.
  private show(state?: SessionState): void {
    if (!state?.time || timestampDate(state.time).getTime() < this.shownAt) return;
    this.shownAt = timestampDate(state.time).getTime();
    // An alarm of a newer server is taken for the most urgent one.
    const alarms = state.alarms.map((a) => `  alarm: ALARM_KIND_${AlarmKind[a.kind] ?? "RINSE_NOW"} ${a.message}`).join("\n");
    if (alarms !== this.shown && alarms) say(alarms);
    this.shown = alarms;
  }

  // upload brings kept facts to the server, however often that fails.
  private async upload(): Promise<void> {
    for (let wait = 200; ;) {
      const batch = this.uploads.next();
      if (!batch) {
        await new Promise<void>((tapped) => { this.wake = tapped; });
        continue;
      }
      const request = fromJson(RecordEventsRequestSchema, { name: batch.session, requestId: batch.request, events: batch.events as JsonObject[] });
      try {
        const answer = await this.server.once(() => this.server.processing.recordEvents({ ...request, ...this.echo.measured() }));
        if ((answer === undefined) !== this.offline) {
          this.offline = answer === undefined;
          say(this.offline ? "no network: facts are kept here" : "the network is back");
        }
        if (answer === undefined) {
          await sleep(wait);
          wait = Math.min(2 * wait, 2000);
          continue;
        }
        wait = 200;
        this.uploads.acknowledged(batch.request);
        this.echo.note(answer.serverTime);
        for (const result of answer.results) {
          if (result.status === EventStatus.REJECTED) say("not recorded:", result.reason);
        }
        this.show(answer.state);
      } catch (thrown) {
        if (!(thrown instanceof Failed)) throw thrown;
        this.failure = thrown; // nothing is deleted: the facts wait until somebody has mended this
        say("call the people who look after the till:", thrown.message);
        return;
      }
    }
  }

  // watch shows every change of a service's guidance, also what other tills of the salon cause.
  private async watch(name: string, until: AbortSignal): Promise<void> {
    for (let resumeToken = ""; !until.aborted;) {
      const silence = new AbortController();
      const end = () => silence.abort();
      until.addEventListener("abort", end);
      let timer = setTimeout(end, silentMs);
      try {
        for await (const message of this.server.processing.watchSession({ name, resumeToken }, { signal: silence.signal, timeoutMs: 0 })) {
          clearTimeout(timer);
          timer = setTimeout(end, silentMs);
          resumeToken = message.resumeToken;
          this.echo.note(message.serverTime);
          if (message.message.case === "state") this.show(message.message.value);
        }
      } catch {
        // and again, from the last token
      } finally {
        clearTimeout(timer);
        until.removeEventListener("abort", end);
      }
      if (!until.aborted) await sleep(500);
    }
  }

  // finish waits until the server has every fact.
  async finish(): Promise<void> {
    while (this.uploads.waiting > 0) {
      if (this.failure) throw this.failure;
      await sleep(20);
    }
  }

  // form is the consultation of the file, with its times.
  private form() {
    const form = structuredClone(this.visit.consultation);
    for (const [path, hours] of Object.entries(this.visit.hours_ago)) {
      const names = path.split("."), last = names.pop()!;
      const at = names.reduce((part, name) => part[name] as JsonObject, form);
      at[last] = new Date(Date.now() - hours * 3600_000).toISOString();
    }
    return fromJson(ConsultationSchema, form);
  }

  // decide takes a client in.
  async decide(): Promise<{ client: string; decision: Decision; goAhead: boolean }> {
    const { consultations, eligibility } = this.server;
    const created = await this.server.call(consultations.createClient, { parent: this.visit.parent, client: fromJson(ClientSchema, this.visit.client) });
    const client = created.client!.name;
    const draft = (await this.server.call(consultations.createConsultation, { parent: client, consultation: this.form() })).consultation!;
    await this.server.call(consultations.submitConsultation, { name: draft.name, etag: draft.etag });
    const check = fromJson(CheckEligibilityRequestSchema, this.visit.check);
    const answer = await this.server.call(eligibility.checkEligibility, { ...check, parent: client, subject: { case: "consultation", value: draft.name } });
    this.echo.note(answer.serverTime);
    const decision = answer.decision!;
    say(`VERDICT_${Verdict[decision.standingVerdict] ?? "REFUSE"}`); // one of a newer server is taken for a refusal
    for (const finding of decision.findings) say("  finding:", finding.message);
    for (const condition of decision.conditions) say("  condition:", condition.text);
    for (const caution of decision.cautions) say("  caution:", caution);
    return { client, decision, goAhead: [Verdict.PROCEED, Verdict.PROCEED_WITH_CONDITIONS].includes(decision.standingVerdict) };
  }

  // serve runs the service, and returns its name.
  async serve(client: string, decision: Decision, taps: AsyncIterable<string>): Promise<string> {
    const started: StartSessionResponse = await this.server.call(this.server.processing.startSession,
      { parent: client, decision: decision.name }, () => this.echo.measured());
    this.echo.note(started.serverTime);
    const session = started.session!, sheet = started.timeSheet!;
    for (const section of sheet.sections) say("  times:", section.sectionId, section.text); // stay on the screen, whatever becomes of the network
    say("service:", session.name);
    const ended = new AbortController();
    void this.watch(session.name, ended.signal);
    const tap = (fact: object) => {
      this.uploads.add(session.name, fact);
      this.wake();
    };
    for await (const line of taps) {
      const word = line.trim();
      if (word === "close") break;
      if (word === "burns") say("RINSE NOW. Do not wait.", ...sheet.firstAid, "Emergency:", sheet.emergencyNumber); // before anything is sent
      if (word === "conditions") {
        for (const condition of session.conditions.filter((c) => c.beforeContact)) {
          tap({ conditionMet: { ruleId: condition.ruleId, subject: condition.subject } });
        }
      } else if (word in this.visit.facts) {
        tap(this.visit.facts[word]);
      } else {
        say("unknown:", word);
        continue;
      }
      say("noted:", word);
    }
    await this.finish();
    ended.abort();
    return session.name;
  }

  // close records the outcome and shows the card.
  async close(client: string, session: string): Promise<void> {
    const outcome = { ...fromJson(OutcomeSchema, this.visit.outcome), session };
    const recorded = (await this.server.call(this.server.outcomes.recordOutcome, { parent: client, outcome })).outcome!;
    say("outcome:", recorded.completed ? "completed" : recorded.brokenOffReason);
    const card = (await this.server.call(this.server.outcomes.getRecordCard, { name: client })).recordCard!;
    say("card: visits", card.visits.length, "incidents", card.incidents.length);
  }
}

async function main(): Promise<void> {
  const text = { type: "string" } as const;
  const { values, positionals } = parseArgs({ allowPositionals: true, options: {
    address: text, authority: text, certificate: text, key: text, uploads: text, "only-upload": { type: "boolean" } } });
  const { address, authority, certificate, key, uploads } = values;
  if (!address || !authority || !certificate || !key || !uploads || positionals.length !== 1) {
    throw new Error("usage: till.js --address A --authority F --certificate F --key F --uploads F visit.json");
  }
  const till = new Till(new Connection(address, authority, certificate, key), new Uploads(uploads), JSON.parse(readFileSync(positionals[0], "utf8")));
  if (values["only-upload"]) return till.finish();
  const { client, decision, goAhead } = await till.decide();
  if (!goAhead) return;
  const session = await till.serve(client, decision, createInterface({ input: process.stdin }));
  await till.close(client, session);
}

main().then(() => process.exit(0), (failure: Error) => {
  console.error(failure.message);
  process.exit(1);
});
