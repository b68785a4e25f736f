"""An independent check of an exported audit log.

It was written from the published texts alone and shares no code with the server:

  RFC 6962, Certificate Transparency, section 2.1 (2013): the Merkle tree
  RFC 8032, Edwards-Curve Digital Signature Algorithm, section 5.1.7 (2017)
  c2sp.org/signed-note:     the signed text and its keys
  c2sp.org/tlog-checkpoint: origin, tree size, root hash
  c2sp.org/tlog-tiles:      where tiles and entry bundles are, and what is in them

It needs Python 3.8 and its standard library, no network and no server.

    python3 verify_log.py DIR [--against CHECKPOINT] [--keys FILE]

Exit code 0: the copy is what was signed. 3: it is not. 1: it cannot be read.
The output is one JSON object with the faults; places of entries count from 0.

What it does not check, because those texts do not speak of it: what is in an
entry, and whether one key vouches for the next.
"""

import argparse
import base64
import binascii
import hashlib
import json
import os
import stat
import sys

FULL_WIDTH = 256  # c2sp.org/tlog-tiles, "Merkle Tree"


# Ed25519 verification, RFC 8032, sections 5.1 and 5.1.7.

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
SQRT_M1 = pow(2, (P - 1) // 4, P)


def point_add(p, q):
    a = (p[1] - p[0]) * (q[1] - q[0]) % P
    b = (p[1] + p[0]) * (q[1] + q[0]) % P
    c = 2 * p[3] * q[3] * D % P
    d = 2 * p[2] * q[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return (e * f % P, g * h % P, f * g % P, e * h % P)


def point_mul(s, p):
    q = (0, 1, 1, 0)
    while s > 0:
        if s & 1:
            q = point_add(q, p)
        p = point_add(p, p)
        s >>= 1
    return q


def point_equal(p, q):
    return (p[0] * q[2] - q[0] * p[2]) % P == 0 and (p[1] * q[2] - q[1] * p[2]) % P == 0


def recover_x(y, sign):
    if y >= P:
        return None
    x2 = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    if x2 == 0:
        return None if sign else 0
    x = pow(x2, (P + 3) // 8, P)
    if (x * x - x2) % P != 0:
        x = x * SQRT_M1 % P
    if (x * x - x2) % P != 0:
        return None
    return P - x if x & 1 != sign else x


def decompress(raw):
    y = int.from_bytes(raw, "little")
    sign, y = y >> 255, y & ((1 << 255) - 1)
    x = recover_x(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


BASE = decompress((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))


def ed25519_verify(public, message, signature):
    if len(public) != 32 or len(signature) != 64:
        return False
    a, r = decompress(public), decompress(signature[:32])
    s = int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= L:
        return False
    h = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % L
    return point_equal(point_mul(s, BASE), point_add(r, point_mul(h, a)))


# Notes and checkpoints.


class Bad(Exception):
    """What is wrong, in words."""


def decode64(text):
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise Bad("not base64: %.40r" % text)


def parse_key(line):
    """A verifier key: name, key ID in hex, and base64 of 0x01 and the public key."""
    parts = line.split("+", 2)
    if len(parts) != 3 or not parts[0] or any(c.isspace() for c in parts[0]):
        raise Bad("not a verifier key: %.60r" % line)
    name, key_id, raw = parts[0], parts[1], decode64(parts[2])
    if len(raw) != 33 or raw[0] != 1:
        raise Bad("not an Ed25519 key: %.60r" % line)
    want = hashlib.sha256(name.encode() + b"\n" + raw).digest()[:4]
    if key_id != want.hex():
        raise Bad("the key ID does not fit the key: %.60r" % line)
    return name, want, raw[1:]


def open_note(note, keys):
    """The text of a note, and the keys that signed it (c2sp.org/signed-note)."""
    try:
        text = note.decode("utf-8")
    except UnicodeDecodeError:
        raise Bad("malformed note: not UTF-8")
    if any(ord(c) < 0x20 and c != "\n" for c in text):
        raise Bad("malformed note: control characters")
    at = text.rfind("\n\n")
    if at < 0 or not text.endswith("\n"):
        raise Bad("malformed note: no signatures")
    body, lines = text[: at + 1], text[at + 2 :].split("\n")[:-1]
    if not lines:
        raise Bad("malformed note: no signatures")
    signers = []
    for line in lines:
        parts = line.split(" ")
        if len(parts) != 3 or parts[0] != "\u2014" or not parts[1] or "+" in parts[1]:
            raise Bad("malformed note: not a signature line")
        raw = decode64(parts[2])
        if len(raw) < 5:
            raise Bad("malformed note: a signature is too short")
        for key in keys:
            if key[0] != parts[1] or key[1] != raw[:4] or key in signers:
                continue  # unknown keys MUST be ignored
            if not ed25519_verify(key[2], body.encode(), raw[4:]):
                raise Bad("invalid signature for key %s" % key[0])
            signers.append(key)
    if not signers:
        raise Bad("signed by none of the keys")
    return body, signers


def open_checkpoint(note, keys):
    """Origin, size and root of a checkpoint (c2sp.org/tlog-checkpoint)."""
    body, signers = open_note(note, keys)
    lines = body.split("\n")[:-1]
    if len(lines) < 3 or "" in lines:
        raise Bad("not a checkpoint: too few lines, or an empty one")
    origin, size, root = lines[0], lines[1], decode64(lines[2])
    if not (size.isascii() and size.isdigit()) or str(int(size)) != size or int(size) > 2**60:
        raise Bad("not a checkpoint: line 2 is not a size")
    if len(root) != 32:
        raise Bad("not a checkpoint: line 3 is not a root hash")
    for key in signers:
        if key[0] != origin:
            raise Bad("a checkpoint of %s signed by a key of %s" % (origin, key[0]))
    return origin, int(size), root


# The Merkle tree, RFC 6962, section 2.1.


def leaf_hash(entry):
    return hashlib.sha256(b"\x00" + entry).digest()


def node_hash(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def tree_hash(hashes):
    """MTH of a list of leaf hashes, or of full subtrees of one size."""
    n = len(hashes)
    if n == 0:
        return hashlib.sha256(b"").digest()
    if n == 1:
        return hashes[0]
    k = 1 << ((n - 1).bit_length() - 1)  # the largest power of two below n
    return node_hash(tree_hash(hashes[:k]), tree_hash(hashes[k:]))


# Files, c2sp.org/tlog-tiles.


def index_path(n):
    parts = []
    while True:
        parts.append("%03d" % (n % 1000))
        n //= 1000
        if n == 0:
            break
    return "/".join(["x" + p for p in reversed(parts[1:])] + [parts[0]])


def tile_path(level, n, width):
    suffix = "" if width == FULL_WIDTH else ".p/%d" % width
    return "tile/%s/%s%s" % (level, index_path(n), suffix)


def read_file(root, name, most):
    path = os.path.join(root, *name.split("/"))
    try:
        info = os.lstat(path)
    except FileNotFoundError:
        raise Bad("%s: it is missing" % name)
    if not stat.S_ISREG(info.st_mode):
        raise Bad("%s: it is not a file" % name)
    if info.st_size > most:
        raise Bad("%s: it is too long" % name)
    with open(path, "rb") as file:
        return file.read()


def parse_bundle(content):
    """Entries of a bundle, each behind its length in two bytes, big-endian."""
    entries, at = [], 0
    while at < len(content):
        end = at + 2 + int.from_bytes(content[at : at + 2], "big")
        if at + 2 > len(content) or end > len(content):
            raise Bad("it is cut off in entry %d" % len(entries))
        entries.append(content[at + 2 : end])
        at = end
    return entries


class Log:
    """A copy under check."""

    def __init__(self, root):
        self.root = root
        self.faults = []
        self.places = set()

    def fault(self, what):
        self.faults.append(what)

    def read_keys(self, pinned):
        keys = []
        for line in pinned:
            keys.append(parse_key(line))
        try:
            lines = read_file(self.root, "keys", 1 << 16).decode("utf-8", "replace").splitlines()
        except Bad as bad:
            self.fault(str(bad))
            lines = []
        for line in lines:
            try:
                key = parse_key(line)
                if key not in keys:
                    keys.append(key)
            except Bad as bad:
                self.fault("keys: %s" % bad)
        return keys

    def leaves(self, size):
        """The leaf hashes of all entries; None when some cannot be known."""
        all_leaves, known = [], True
        for n in range((size + FULL_WIDTH - 1) // FULL_WIDTH):
            width = min(FULL_WIDTH, size - n * FULL_WIDTH)
            leaves = self.bundle(n, width)
            known = known and leaves is not None
            all_leaves.append(leaves or [])
        return [leaf for part in all_leaves for leaf in part] if known else None

    def bundle(self, n, width):
        """Leaf hashes of a bundle. Places whose entry is not that of the tile are
        remembered; whether the tile is right is for the root to say."""
        path, tile = tile_path("entries", n, width), self.tile(0, n, width)
        try:
            entries = parse_bundle(read_file(self.root, path, FULL_WIDTH * (2 + 65535)))
            if len(entries) != width:
                raise Bad("it has %d entries instead of %d" % (len(entries), width))
        except Bad as bad:
            self.fault("%s: %s" % (path, bad))
            return tile
        leaves = [leaf_hash(entry) for entry in entries]
        for i, leaf in enumerate(leaves):
            if entries[i] == b"":
                self.fault("entry %d: it is missing" % (n * FULL_WIDTH + i))
            if tile is not None and tile[i] != leaf:
                self.places.add(n * FULL_WIDTH + i)
        return leaves

    def tile(self, level, n, width):
        try:
            content = read_file(self.root, tile_path(level, n, width), FULL_WIDTH * 32)
        except Bad:
            return None
        if len(content) != width * 32:
            return None
        return [content[i : i + 32] for i in range(0, len(content), 32)]

    def compare_tiles(self, leaves):
        """Every tile holds what its formula says: MTH(D[(n*256+i)*256**l : ...])."""
        level, hashes = 0, leaves
        while hashes:
            for n in range((len(hashes) + FULL_WIDTH - 1) // FULL_WIDTH):
                want = hashes[n * FULL_WIDTH : (n + 1) * FULL_WIDTH]
                if self.tile(level, n, len(want)) != want:
                    self.fault("%s: it is missing, or not what the entries give" % tile_path(level, n, len(want)))
            full = len(hashes) // FULL_WIDTH
            hashes = [tree_hash(hashes[i * FULL_WIDTH : (i + 1) * FULL_WIDTH]) for i in range(full)]
            level += 1

    def check(self, against, pinned):
        keys = self.read_keys(pinned)
        if not keys:
            return
        try:
            origin, size, root = open_checkpoint(read_file(self.root, "checkpoint", 1 << 16), keys)
            if pinned:
                open_checkpoint(read_file(self.root, "checkpoint", 1 << 16), [parse_key(line) for line in pinned])
        except Bad as bad:
            self.fault("checkpoint: %s" % bad)
            return
        leaves = self.leaves(size)
        if leaves is None:
            self.fault("entries are missing together with their hashes")
            return
        if tree_hash(leaves) != root:
            self.fault("the entries do not give the root that was signed for %d entries" % size)
            for place in sorted(self.places):
                self.fault("entry %d: it is not the one that its tile stands for" % place)
        self.compare_tiles(leaves)
        for name, note in self.earlier(against):
            try:
                old_origin, old_size, old_root = open_checkpoint(note, keys)
            except Bad as bad:
                self.fault("%s: %s" % (name, bad))
                continue
            if old_origin != origin:
                self.fault("%s: it is of another log, %s" % (name, old_origin))
            elif old_size > size:
                self.fault("%s: it is of %d entries, and there are %d" % (name, old_size, size))
            elif tree_hash(leaves[:old_size]) != old_root:
                self.fault("%s: the first %d entries are not those that it was signed for" % (name, old_size))

    def earlier(self, against):
        """Checkpoints of before: the one given, and those in the copy."""
        if against is not None:
            yield "the earlier checkpoint", against
        handovers = os.path.join(self.root, "handover")
        for name in sorted(os.listdir(handovers)) if os.path.isdir(handovers) else []:
            try:
                yield "handover/" + name, read_file(self.root, "handover/" + name, 1 << 16)
            except Bad as bad:
                self.fault(str(bad))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("dir")
    parser.add_argument("--against")
    parser.add_argument("--keys")
    options = parser.parse_args()
    against, pinned = None, []
    try:
        if options.against:
            with open(options.against, "rb") as file:
                against = file.read()
        if options.keys:
            with open(options.keys, encoding="utf-8") as file:
                pinned = file.read().split()
        if not os.path.isdir(options.dir):
            raise Bad("%s is not a directory" % options.dir)
        log = Log(options.dir)
        log.check(against, pinned)
    except (OSError, Bad) as problem:
        print("cannot be read: %s" % problem, file=sys.stderr)
        return 1
    json.dump({"holds": not log.faults, "faults": log.faults}, sys.stdout, indent=1)
    print()
    return 3 if log.faults else 0


if __name__ == "__main__":
    sys.exit(main())
