// How a till calls the server: identity, deadlines, retries and error details.
import { readFileSync } from "node:fs";
import { randomUUID } from "node:crypto";
import { setTimeout as sleep } from "node:timers/promises";
import { type Client, Code, ConnectError, createClient, type Transport } from "@connectrpc/connect";
import { createConnectTransport } from "@connectrpc/connect-node";
import { BadRequestSchema, ErrorInfoSchema } from "./generated/google/rpc/error_details_pb.js";
import { ConsultationService } from "./generated/alkalog/v1/consultation_service_pb.js";
import { EligibilityService } from "./generated/alkalog/v1/eligibility_service_pb.js";
import { OutcomeService } from "./generated/alkalog/v1/outcome_service_pb.js";
import { ProcessingService } from "./generated/alkalog/v1/processing_service_pb.js";

// The newest revision of the contract that this till was built for.
const revision = "2";

// What may be repeated with the same request: its outcome is unknown, or it was too much.
const again = [Code.Unavailable, Code.DeadlineExceeded, Code.ResourceExhausted, Code.Canceled];

// mayRepeat reports whether the same request may be sent again. A connection that breaks while
// it is being made is reported as Aborted, without the details that errors of the server have.
function mayRepeat(error: ConnectError): boolean {
  return again.includes(error.code) || (error.code === Code.Aborted && error.details.length === 0);
}

// Failed is an answer that does not change when the request is repeated. A program goes by
// the reason, never by the text.
export class Failed extends Error {
  readonly reason: string;
  constructor(error: ConnectError) {
    const fields = error.findDetails(BadRequestSchema).flatMap((bad) => bad.fieldViolations);
    const reason = error.findDetails(ErrorInfoSchema).find((info) => info.domain === "alkalog")?.reason ?? Code[error.code];
    super([`${reason}: ${error.rawMessage}`, ...fields.map((f) => `  ${f.field}: ${f.description}`)].join("\n"));
    this.reason = reason;
  }
}

// Connection calls the server with the certificate that says who the till is.
export class Connection {
  readonly consultations: Client<typeof ConsultationService>;
  readonly eligibility: Client<typeof EligibilityService>;
  readonly outcomes: Client<typeof OutcomeService>;
  readonly processing: Client<typeof ProcessingService>;

  constructor(address: string, authority: string, certificate: string, key: string) {
    const transport: Transport = createConnectTransport({
      baseUrl: `https://${address}`, httpVersion: "2", defaultTimeoutMs: 5000,
      // Pings find a connection whose other end is gone without a word.
      pingIntervalMs: 20_000, pingTimeoutMs: 5000, pingIdleConnection: true,
      nodeOptions: { ca: readFileSync(authority), cert: readFileSync(certificate), key: readFileSync(key) },
      interceptors: [(next) => (request) => {
        request.header.set("alkalog-revision", revision);
        request.header.set("alkalog-till-version", "1.0.0");
        return next(request);
      }],
    });
    this.consultations = createClient(ConsultationService, transport);
    this.eligibility = createClient(EligibilityService, transport);
    this.outcomes = createClient(OutcomeService, transport);
    this.processing = createClient(ProcessingService, transport);
  }

  // once makes one attempt. It returns undefined if the same request is to be sent again later.
  async once<A>(attempt: () => Promise<A>): Promise<A | undefined> {
    try {
      return await attempt();
    } catch (thrown) {
      const error = ConnectError.from(thrown);
      if (mayRepeat(error)) return undefined;
      throw new Failed(error);
    }
  }

  // call makes a call until its outcome is known. Every attempt has the same request id;
  // each() is what may differ between attempts.
  async call<Request extends object, Answer>(method: (request: Request) => Promise<Answer>, request: Request, each: () => object = () => ({})): Promise<Answer> {
    const requestId = randomUUID();
    for (let wait = 200; ; wait = Math.min(2 * wait, 2000)) {
      const answer = await this.once(() => method({ ...request, requestId, ...each() }));
      if (answer !== undefined) return answer;
      await sleep(wait);
    }
  }
}
