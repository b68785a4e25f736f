// The facts that the server does not have yet, in a file that survives a restart of the till.
import { closeSync, existsSync, fsyncSync, openSync, readFileSync, renameSync, writeSync } from "node:fs";
import { dirname } from "node:path";
import { randomUUID } from "node:crypto";

// How many facts one call may bring.
const most = 200;

// Kept is one fact: the session, the event as JSON of the contract, and the request that brings it.
interface Kept { session: string; event: Record<string, unknown>; request?: string }

// Uploads are facts of services under way, in the order in which they happened. The file
// holds the names of sessions and what was done, and never the name of a client. What the
// server has acknowledged is no longer in it.
export class Uploads {
  private facts: Kept[] = [];
  private sequence: number;

  constructor(private readonly path: string) {
    if (existsSync(path)) this.facts = readFileSync(path, "utf8").split("\n").filter(Boolean).map((line) => JSON.parse(line));
    this.sequence = Date.now(); // later than that of an earlier run
  }

  // add keeps a fact. It is on the disk when this returns.
  add(session: string, fact: object): void {
    const event = { ...fact, eventId: randomUUID(), occurTime: new Date().toISOString(), deviceSequence: String(++this.sequence) };
    this.facts.push({ session, event });
    this.store();
  }

  // next returns the next batch. One that was sent before comes again with the same content
  // and the same request id.
  next(): { session: string; request: string; events: Record<string, unknown>[] } | undefined {
    const first = this.facts[0];
    if (!first) return undefined;
    if (!first.request) {
      const request = randomUUID();
      const end = this.facts.findIndex((f) => f.session !== first.session);
      for (const fact of this.facts.slice(0, Math.min(end < 0 ? most : end, most))) fact.request = request;
      this.store();
    }
    return { session: first.session, request: first.request!, events: this.facts.filter((f) => f.request === first.request).map((f) => f.event) };
  }

  // acknowledged forgets a batch that the server has.
  acknowledged(request: string): void {
    this.facts = this.facts.filter((f) => f.request !== request);
    this.store();
  }

  get waiting(): number { return this.facts.length; }

  // store writes the file beside its place and renames it: it is old or new, never half.
  private store(): void {
    const file = openSync(this.path + ".new", "w", 0o600);
    writeSync(file, this.facts.map((f) => JSON.stringify(f) + "\n").join(""));
    fsyncSync(file);
    closeSync(file);
    renameSync(this.path + ".new", this.path);
    const directory = openSync(dirname(this.path), "r");
    fsyncSync(directory);
    closeSync(directory);
  }
}
