"""How a till calls the server: identity, deadlines, retries and error details."""
import time
import uuid

import grpc
from alkalog.v1 import (consultation_service_pb2_grpc, eligibility_service_pb2_grpc, outcome_service_pb2_grpc,
                        processing_service_pb2_grpc)
from google.rpc import error_details_pb2, status_pb2

# The newest revision of the contract that this till was built for.
REVISION = "2"

# By default gRPC waits up to two minutes before it connects again, and gives each
# attempt 20 seconds. The pings find a connection whose other end is gone without a word.
OPTIONS = [
    ("grpc.initial_reconnect_backoff_ms", 200),
    ("grpc.min_reconnect_backoff_ms", 5000),  # in spite of its name: how long an attempt may take
    ("grpc.max_reconnect_backoff_ms", 2000),
    ("grpc.keepalive_time_ms", 20000),
    ("grpc.keepalive_timeout_ms", 5000),
    ("grpc.http2.max_pings_without_data", 0),
]

# What may be repeated with the same request: its outcome is unknown, or it was too much.
AGAIN = (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.DEADLINE_EXCEEDED, grpc.StatusCode.RESOURCE_EXHAUSTED,
         grpc.StatusCode.CANCELLED)


class Failed(Exception):
    """An answer that does not change when the request is repeated."""

    def __init__(self, reason, message, fields):
        super().__init__(f"{reason}: {message}" + "".join(f"\n  {name}: {what}" for name, what in fields))
        self.reason = reason


class Connection:
    """A channel to the server, with the certificate that says who the till is."""

    def __init__(self, address, authority, certificate, key):
        self.channel = grpc.secure_channel(address, grpc.ssl_channel_credentials(
            root_certificates=read(authority), private_key=read(key), certificate_chain=read(certificate)), OPTIONS)
        self.consultations = consultation_service_pb2_grpc.ConsultationServiceStub(self.channel)
        self.eligibility = eligibility_service_pb2_grpc.EligibilityServiceStub(self.channel)
        self.processing = processing_service_pb2_grpc.ProcessingServiceStub(self.channel)
        self.outcomes = outcome_service_pb2_grpc.OutcomeServiceStub(self.channel)

    metadata = (("alkalog-revision", REVISION), ("alkalog-till-version", "1.0.0"))

    def once(self, method, request):
        """Makes one attempt. Returns None if the same request is to be sent again later.

        wait_for_ready matters: this gRPC does its network work inside of calls that wait.
        Without it, a call fails at once while a connection is being made, nothing drives
        the TLS handshake until the next call, and after a restart of the server the till
        is without it for 20 seconds or more."""
        try:
            return method(request, timeout=5, metadata=self.metadata, wait_for_ready=True)
        except grpc.RpcError as error:
            if error.code() in AGAIN:
                return None
            raise failed(error) from error

    def call(self, method, request, each=lambda request: None):
        """Makes a call until its outcome is known. Every attempt has the same request
        id; each sets what may differ between attempts."""
        if "request_id" in request.DESCRIPTOR.fields_by_name:
            request.request_id = request.request_id or str(uuid.uuid4())
        wait = 0.2
        while True:
            each(request)
            answer = self.once(method, request)
            if answer is not None:
                return answer
            time.sleep(wait)
            wait = min(2 * wait, 2)


def failed(error):
    """The details of an error. A program goes by the reason, never by the text."""
    reason, fields = error.code().name, []
    for name, value in error.trailing_metadata() or ():
        if name != "grpc-status-details-bin":
            continue
        for detail in status_pb2.Status.FromString(value).details:
            info, bad = error_details_pb2.ErrorInfo(), error_details_pb2.BadRequest()
            if detail.Unpack(info) and info.domain == "alkalog":
                reason = info.reason
            elif detail.Unpack(bad):
                fields += [(violation.field, violation.description) for violation in bad.field_violations]
    return Failed(reason, error.details(), fields)


def read(path):
    with open(path, "rb") as file:
        return file.read()
