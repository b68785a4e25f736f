"""The facts that the server does not have yet, in a file that survives a restart of the till."""
import sqlite3
import threading
import uuid

from alkalog.v1 import session_pb2

# How many facts one call may bring.
MOST = 200


class Uploads:
    """Facts of services under way, in the order in which they happened.

    The file holds the names of sessions and what was done, and never the name of a
    client. What the server has acknowledged is deleted, and overwritten with zeros.
    """

    def __init__(self, path):
        self.lock = threading.Lock()
        self.file = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        self.file.executescript("""
            pragma secure_delete = on;
            pragma synchronous = full;
            create table if not exists facts (
              sequence integer primary key autoincrement,
              session text not null,
              request_id text,      -- of the call that brings it; null: in none yet
              event blob not null);
        """)

    def add(self, session, event):
        """Keeps a fact. It is on the disk when this returns."""
        with self.lock, self.file:
            self.file.execute("begin")
            row = self.file.execute("insert into facts (session, event) values (?, '')", (session,)).lastrowid
            event.event_id, event.device_sequence = str(uuid.uuid4()), row
            self.file.execute("update facts set event = ? where sequence = ?", (event.SerializeToString(), row))

    def next(self):
        """Returns the next batch: session, request id and events; None if there is none.
        A batch that was sent before comes again with the same content and the same id."""
        with self.lock, self.file:
            self.file.execute("begin")
            first = self.file.execute("select session, request_id from facts order by sequence limit 1").fetchone()
            if first is None:
                return None
            session, request_id = first
            if request_id is None:
                request_id = str(uuid.uuid4())
                self.file.execute("""update facts set request_id = ? where sequence in (select sequence from facts
                    where session = ? and request_id is null order by sequence limit ?)""", (request_id, session, MOST))
            rows = self.file.execute("select event from facts where request_id = ? order by sequence", (request_id,))
            return session, request_id, [session_pb2.Event.FromString(row[0]) for row in rows]

    def acknowledged(self, request_id):
        """Deletes a batch that the server has."""
        with self.lock, self.file:
            self.file.execute("begin")
            self.file.execute("delete from facts where request_id = ?", (request_id,))

    def waiting(self):
        """Returns how many facts wait."""
        with self.lock:
            return self.file.execute("select count(*) from facts").fetchone()[0]
