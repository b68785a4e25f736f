"""A complete till for one visit.

It takes the visit of a file from the consultation to the record card. What happens
during the service is read from standard input, a word a line, as from the buttons of
a screen; "facts" in the file says which fact a word is. A tap never waits for the
network: the fact is kept in a file, and brought to the server in the background.

    python3 till.py --address 127.0.0.1:7420 --authority authority.crt \\
        --certificate till.crt --key till.key --uploads uploads.db visit.json
"""
import argparse
import datetime
import json
import sys
import threading
import time

import grpc
from alkalog.v1 import consultation_pb2
from alkalog.v1 import consultation_service_pb2 as consultation
from alkalog.v1 import decision_pb2 as decisions
from alkalog.v1 import eligibility_service_pb2 as eligibility
from alkalog.v1 import outcome_service_pb2 as outcome
from alkalog.v1 import processing_service_pb2 as processing
from alkalog.v1 import session_pb2 as sessions
from google.protobuf import json_format

from connection import Connection, Failed
from uploads import Uploads

# A watch that is silent for so long is dead.
SILENT_SECONDS = 45


def now():
    return datetime.datetime.now(datetime.timezone.utc)


def elapsed_clock():
    """Returns seconds on a clock that nobody sets and that counts while the device sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Echo:
    """The newest time of the server, from which it computes how wrong the till's clock is."""

    def __init__(self):
        self.lock, self.newest = threading.Lock(), None

    def note(self, server_time):
        with self.lock:
            if self.newest is None or server_time.ToNanoseconds() > self.newest[0].ToNanoseconds():
                self.newest = server_time, now(), elapsed_clock()

    def put_into(self, request):
        request.send_time.FromDatetime(now())
        with self.lock:
            if self.newest:
                server_time, received, at = self.newest
                request.echo.server_time.CopyFrom(server_time)
                request.echo.receive_time.FromDatetime(received)
                request.echo.elapsed_ms = int(1000 * (elapsed_clock() - at))


class Screen:
    """What the person at the till reads. Threads share it."""

    def __init__(self):
        self.lock, self.shown, self.at = threading.Lock(), None, None

    def say(self, *words):
        with self.lock:
            print(*words, flush=True)

    def state(self, state):
        """Shows alarms, most urgent first, when they differ from what is shown. A state
        that is older than the one shown is left out: a call and the watch bring both."""
        with self.lock:
            if self.at and state.time.ToNanoseconds() < self.at:
                return
            self.at = state.time.ToNanoseconds()
            alarms = [(alarm.kind, alarm.section_id, alarm.message) for alarm in state.alarms]
            if alarms != self.shown:
                self.shown = alarms
                for kind, _, message in alarms:
                    # An alarm of a newer server is taken for the most urgent one.
                    name = sessions.AlarmKind.Name(kind) if kind in sessions.AlarmKind.values() else "ALARM_KIND_RINSE_NOW"
                    print("  alarm:", name, message, flush=True)


class Uploader(threading.Thread):
    """Brings kept facts to the server in the background, however often that fails."""

    def __init__(self, server, uploads, screen, echo):
        super().__init__(daemon=True)
        self.server, self.uploads, self.screen, self.echo = server, uploads, screen, echo
        self.tapped, self.failure, self.offline = threading.Event(), None, False

    def run(self):
        wait = 0.2
        while True:
            batch = self.uploads.next()
            if batch is None:
                self.tapped.wait()
                self.tapped.clear()
            elif self.bring(*batch):
                wait = 0.2
            elif self.failure:
                return  # nothing is deleted: the facts wait until somebody has mended this
            else:
                time.sleep(wait)
                wait = min(2 * wait, 2)

    def bring(self, session, request_id, events):
        """Makes one attempt, and reports whether the server has the facts."""
        request = processing.RecordEventsRequest(name=session, events=events, request_id=request_id)
        self.echo.put_into(request)
        try:
            answer = self.server.once(self.server.processing.RecordEvents, request)
        except Failed as failure:
            self.failure = failure
            self.screen.say("call the people who look after the till:", failure)
            return False
        if (answer is None) != self.offline:
            self.offline = answer is None
            self.screen.say("no network: facts are kept here" if self.offline else "the network is back")
        if answer is None:
            return False
        self.uploads.acknowledged(request_id)
        self.echo.note(answer.server_time)
        for result in answer.results:
            if result.status == processing.EVENT_STATUS_REJECTED:
                self.screen.say("not recorded:", result.reason)
        self.screen.state(answer.state)
        return True

    def finish(self):
        """Waits until the server has every fact."""
        while self.uploads.waiting():
            if self.failure:
                raise self.failure
            time.sleep(0.02)


class Watch(threading.Thread):
    """Shows every change of a service's guidance, also what other tills of the salon cause."""

    def __init__(self, server, screen, echo, session):
        super().__init__(daemon=True)
        self.server, self.screen, self.echo, self.session = server, screen, echo, session
        self.token = ""

    def run(self):
        while True:
            stream = self.server.processing.WatchSession(
                processing.WatchSessionRequest(name=self.session, resume_token=self.token),
                metadata=self.server.metadata, wait_for_ready=True)
            try:
                self.follow(stream)
            except grpc.RpcError:
                pass
            time.sleep(0.5)  # and again, from the last token

    def follow(self, stream):
        silence = threading.Timer(SILENT_SECONDS, stream.cancel)
        silence.start()
        try:
            for message in stream:
                silence.cancel()
                silence = threading.Timer(SILENT_SECONDS, stream.cancel)
                silence.start()
                self.token = message.resume_token
                self.echo.note(message.server_time)
                if message.HasField("state"):
                    self.screen.state(message.state)
        finally:
            silence.cancel()


class Till:
    """One till, and the visit of a file."""

    def __init__(self, server, uploads, visit):
        self.server, self.uploads, self.visit = server, uploads, visit
        self.echo, self.screen = Echo(), Screen()
        self.uploader = Uploader(server, uploads, self.screen, self.echo)
        self.uploader.start()  # also with what an earlier run has left

    def call(self, method, request):
        def each(attempt):
            if "echo" in attempt.DESCRIPTOR.fields_by_name:
                self.echo.put_into(attempt)
        answer = self.server.call(method, request, each)
        if "server_time" in answer.DESCRIPTOR.fields_by_name:
            self.echo.note(answer.server_time)
        return answer

    def form(self):
        """The consultation of the file, with its times."""
        form = json.loads(json.dumps(self.visit["consultation"]))
        for path, hours in self.visit["hours_ago"].items():
            *parents, last = path.split(".")
            at = form
            for name in parents:
                at = at[name]
            at[last] = (now() - datetime.timedelta(hours=hours)).isoformat()
        return json_format.ParseDict(form, consultation_pb2.Consultation())

    def decide(self):
        """Takes a client in. Returns the client's name and the decision."""
        consultations = self.server.consultations
        client = self.call(consultations.CreateClient, consultation.CreateClientRequest(
            parent=self.visit["parent"], client=self.visit["client"])).client.name
        draft = self.call(consultations.CreateConsultation, consultation.CreateConsultationRequest(
            parent=client, consultation=self.form())).consultation
        self.call(consultations.SubmitConsultation, consultation.SubmitConsultationRequest(name=draft.name, etag=draft.etag))
        decision = self.call(self.server.eligibility.CheckEligibility, eligibility.CheckEligibilityRequest(
            parent=client, consultation=draft.name, **self.visit["check"])).decision
        known = decision.standing_verdict in decisions.Verdict.values()
        # A verdict of a newer server is taken for a refusal.
        verdict = decisions.Verdict.Name(decision.standing_verdict) if known else "VERDICT_REFUSE"
        self.screen.say(verdict)
        for finding in decision.findings:
            self.screen.say("  finding:", finding.message)
        for condition in decision.conditions:
            self.screen.say("  condition:", condition.text)
        for caution in decision.cautions:
            self.screen.say("  caution:", caution)
        return client, decision, verdict

    def serve(self, client, decision, taps):
        """Runs the service, and returns its name."""
        started = self.call(self.server.processing.StartSession, processing.StartSessionRequest(parent=client, decision=decision.name))
        sheet = started.time_sheet
        for section in sheet.sections:  # stays on the screen, whatever becomes of the network
            self.screen.say("  times:", section.section_id, section.text)
        session = started.session.name
        self.screen.say("service:", session)
        Watch(self.server, self.screen, self.echo, session).start()
        for word in taps:
            if word == "close":
                break
            if word == "burns":  # said before anything is sent
                self.screen.say("RINSE NOW. Do not wait.", *sheet.first_aid, "Emergency:", sheet.emergency_number)
            if word == "conditions":
                for condition in started.session.conditions:
                    if condition.before_contact:
                        self.tap(session, {"condition_met": {"rule_id": condition.rule_id, "subject": condition.subject}})
            elif word in self.visit["facts"]:
                self.tap(session, self.visit["facts"][word])
            else:
                self.screen.say("unknown:", word)
                continue
            self.screen.say("noted:", word)
        self.uploader.finish()
        return session

    def tap(self, session, fact):
        """Keeps what has just happened, and returns at once."""
        event = json_format.ParseDict(fact, sessions.Event())
        event.occur_time.FromDatetime(now())
        self.uploads.add(session, event)
        self.uploader.tapped.set()

    def close(self, client, session):
        """Records the outcome and shows the card."""
        recorded = self.call(self.server.outcomes.RecordOutcome, outcome.RecordOutcomeRequest(
            parent=client, outcome={"session": session, **self.visit["outcome"]})).outcome
        self.screen.say("outcome:", "completed" if recorded.completed else recorded.broken_off_reason)
        card = self.call(self.server.outcomes.GetRecordCard, outcome.GetRecordCardRequest(name=client)).record_card
        self.screen.say("card: visits", len(card.visits), "incidents", len(card.incidents))


def main():
    flags = argparse.ArgumentParser(description="A till for one visit.")
    for name in ("address", "authority", "certificate", "key", "uploads"):
        flags.add_argument("--" + name, required=True)
    flags.add_argument("--only-upload", action="store_true", help="bring what an earlier run has kept, and end")
    flags.add_argument("visit")
    given = flags.parse_args()
    with open(given.visit, encoding="utf-8") as file:
        visit = json.load(file)
    server = Connection(given.address, given.authority, given.certificate, given.key)
    till = Till(server, Uploads(given.uploads), visit)
    try:
        if given.only_upload:
            till.uploader.finish()
            return
        client, decision, verdict = till.decide()
        if verdict in ("VERDICT_PROCEED", "VERDICT_PROCEED_WITH_CONDITIONS"):
            session = till.serve(client, decision, (line.strip() for line in sys.stdin))
            till.close(client, session)
    except Failed as failure:
        sys.exit(str(failure))


if __name__ == "__main__":
    main()
