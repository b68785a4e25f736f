// Calls the server by JSON (Connect), keeps its time, and keeps facts until it has them.

export const newID = () => crypto.randomUUID();

// Who calls. The server accepts development identities without proof; a real till has a
// certificate.
export const who = {
  till: (salon) => `role=till name=${salon}/tills/workbench`,
  manager: (chain) => `role=manager name=${chain}/practitioners/odile`,
  auditor: (chain) => `role=auditor name=${chain}/auditors/vesna`,
  operator: () => "role=operator name=operators/workbench",
};

// Failed is an answer that says why it is none.
export class Failed extends Error {
  constructor(code, message, reason, fields) {
    super([message, ...fields.map((f) => `${f.field}: ${f.description}`)].join("\n"));
    this.code = code;
    this.reason = reason;
  }
  // The outcome is unknown, or it was too much: the same request may be sent again.
  get again() {
    return ["unavailable", "deadline_exceeded", "resource_exhausted", "canceled"].includes(this.code);
  }
}

// once makes one attempt.
export async function once(method, request, identity) {
  let response;
  try {
    response = await fetch(`/alkalog.v1.${method}`, {
      method: "POST",
      headers: {
        "Content-Type": "application/json", "Connect-Protocol-Version": "1", "Connect-Timeout-Ms": "8000",
        "Authorization": `Development ${identity}`, "Alkalog-Revision": "2",
      },
      body: JSON.stringify(request),
      signal: AbortSignal.timeout(9000),
    });
  } catch {
    throw new Failed("unavailable", "No network. Facts are kept here until it is back.", "", []);
  }
  const answer = await response.json().catch(() => ({ code: "unavailable", message: `HTTP ${response.status}` }));
  if (!response.ok) {
    let reason = "", fields = [];
    for (const detail of answer.details ?? []) {
      reason ||= detail.debug?.reason ?? "";
      fields = fields.concat(detail.debug?.fieldViolations ?? []);
    }
    throw new Failed(answer.code, answer.message, reason, fields);
  }
  if (answer.serverTime) time.note(answer.serverTime);
  return answer;
}

// call makes a call with one request id until its outcome is known.
export async function call(method, request, identity) {
  for (let wait = 300; ; wait = Math.min(2 * wait, 3000)) {
    try {
      return await once(method, { ...request, ...time.measured(method) }, identity);
    } catch (failure) {
      if (!failure.again) throw failure;
      showNetwork(false);
      await new Promise((done) => setTimeout(done, wait));
    }
  }
}

// time is the newest time of the server. performance.now is not changed by somebody who sets
// the clock of the device.
export const time = {
  newest: null,
  note(serverTime) {
    if (!this.newest || serverTime > this.newest.serverTime) {
      this.newest = { serverTime, received: new Date(), at: performance.now() };
    }
  },
  now() {
    if (!this.newest) return new Date();
    return new Date(Date.parse(this.newest.serverTime) + performance.now() - this.newest.at);
  },
  // measured is what lets the server measure the clock of this device.
  measured(method) {
    if (!["ProcessingService/StartSession", "ProcessingService/RecordEvents"].includes(method)) return {};
    const sent = { sendTime: new Date().toISOString() };
    if (this.newest) {
      sent.echo = {
        serverTime: this.newest.serverTime, receiveTime: this.newest.received.toISOString(),
        elapsedMs: String(Math.round(performance.now() - this.newest.at)),
      };
    }
    return sent;
  },
};

// stored is what survives a reload. It holds no name of a client.
export const stored = {
  get(key) {
    return JSON.parse(localStorage.getItem("workbench." + key) ?? "null");
  },
  set(key, value) {
    if (value === null) localStorage.removeItem("workbench." + key);
    else localStorage.setItem("workbench." + key, JSON.stringify(value));
  },
};

const listeners = { state: () => {}, network: () => {} };
export const listen = (kind, listener) => { listeners[kind] = listener; };

let online = true;
function showNetwork(up) {
  online = up;
  listeners.network(up, waiting());
}

// kept lists the facts that the server does not have yet, the oldest first. Each has a
// key of its own, so that two windows cannot overwrite each other's facts.
function kept() {
  return Object.keys(localStorage).filter((key) => key.startsWith("workbench.fact.")).sort()
    .map((key) => ({ key, ...JSON.parse(localStorage.getItem(key)) }));
}

// waiting is how many those are.
export const waiting = () => kept().length;

// tap keeps a fact of this instant, and sends it in the background.
export function tap(session, identity, fact) {
  const sequence = (stored.get("sequence") ?? 0) + 1, now = new Date();
  stored.set("sequence", sequence);
  const event = { eventId: newID(), occurTime: now.toISOString(), deviceSequence: String(sequence), ...fact };
  stored.set(`fact.${String(now.getTime()).padStart(15, "0")}.${String(sequence).padStart(9, "0")}.${event.eventId}`, { session, identity, event });
  showNetwork(online);
  upload();
}

let uploading = false;

// upload brings all facts to the server, batch by batch, in the order of the taps.
export async function upload() {
  if (uploading) return;
  uploading = true;
  try {
    while (waiting() > 0) {
      // A batch that was sent before is sent again as it was.
      const facts = kept(), { session, identity } = facts[0];
      let batch = stored.get("batch");
      if (!batch || !facts.some((f) => batch.keys.includes(f.key))) {
        const size = facts.findIndex((f) => f.session !== session);
        batch = { requestId: newID(), keys: facts.slice(0, size < 0 ? 200 : Math.min(size, 200)).map((f) => f.key) };
        stored.set("batch", batch);
      }
      const events = facts.filter((f) => batch.keys.includes(f.key)).map((f) => f.event);
      const answer = await call("ProcessingService/RecordEvents", { name: session, events, requestId: batch.requestId }, identity);
      for (const key of batch.keys) localStorage.removeItem(key);
      stored.set("batch", null);
      showNetwork(true);
      listeners.state(session, answer.state, answer.results.filter((r) => r.status === "EVENT_STATUS_REJECTED"));
    }
  } catch (failure) {
    listeners.network(true, waiting(), failure); // the facts stay, for somebody who mends this
  } finally {
    uploading = false;
  }
}
