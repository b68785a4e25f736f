-- The log over the audit entries: per chain a Merkle tree, which shows when an
-- entry was changed, lost or slipped in. A sequencer puts entries on it in the
-- order of their positions; one server at a time does so.

-- +goose Up
-- The digest of an entry's cause, as it stands in the entry.
alter table audit_entries add column cause_digest bytea;
-- The sequencer looks for new entries of all chains at once.
create index audit_entries_by_position on audit_entries (position);
-- The longest entry that a bundle of the log can hold.
alter table audit_entries add constraint fits_the_log check (octet_length(body) <= 65535);

-- Who leads. Every batch of the sequencer changes this row in its own
-- transaction, if the epoch is still its own: a leader that was replaced, or
-- was asleep, can do nothing any more.
create table log_leader (
	only_row  boolean     primary key default true check (only_row),
	epoch     bigint      not null default 0,
	lease_end timestamptz not null default '-infinity',
	position  bigint      not null default 0 -- entries up to here are on their logs, but for logs that are halted
);
insert into log_leader default values;

-- The head of each log: what is needed to go on, and the newest checkpoint.
create table log_heads (
	chain      id     not null primary key,
	size       bigint not null check (size >= 0),
	root       bytea  not null check (octet_length(root) = 32),
	position   bigint not null, -- entries of the chain up to here are on its log
	keys       text   not null, -- the public keys that signed, a line each; empty: nobody
	checkpoint bytea  not null,
	revision   bigint not null, -- rises with every change of any head
	halted     text   not null  -- why the log is not built upon any more; empty: it is
);
create index log_heads_by_revision on log_heads (revision);
create sequence log_revisions;

-- The last checkpoints that were signed by other keys than today's: they carry
-- the trust in one key over to the next.
create table log_handovers (
	chain id not null, keys text not null, checkpoint bytea not null,
	revision bigint not null, -- rises with every one
	primary key (chain, keys)
);

create table log_entries (
	chain id not null, place bigint not null check (place >= 0), id id not null,
	primary key (chain, place),
	unique (chain, id)
);

create table log_tiles (
	chain id not null, level smallint not null, index bigint not null, hashes bytea not null,
	primary key (chain, level, index)
);
alter table log_tiles alter column hashes set storage external; -- hashes do not compress

-- +goose StatementBegin
create function refuse_shrinking() returns trigger language plpgsql as $$
begin
	if tg_table_name = 'log_tiles' then
		if substring(new.hashes from 1 for octet_length(old.hashes)) <> old.hashes then
			raise exception 'a tile only grows' using errcode = 'insufficient_privilege';
		end if;
	elsif new.size < old.size or new.position < old.position or new.size = old.size and new.root <> old.root then
		raise exception 'a log only grows' using errcode = 'insufficient_privilege';
	end if;
	return new;
end $$;
-- +goose StatementEnd
create trigger refuse_shrinking before update on log_tiles for each row execute function refuse_shrinking();
create trigger refuse_shrinking before update on log_heads for each row execute function refuse_shrinking();
create trigger refuse_change before update or delete or truncate on log_entries for each statement execute function refuse_change();
create trigger refuse_loss before delete or truncate on log_tiles for each statement execute function refuse_change();
create trigger refuse_loss before delete or truncate on log_heads for each statement execute function refuse_change();
create trigger refuse_loss before delete or truncate on log_handovers for each statement execute function refuse_change();
create trigger refuse_loss before delete or truncate on log_leader for each statement execute function refuse_change();

-- A refusal, a referral and an override, made or denied, has its entry, and the
-- entry has its cause, when the transaction ends; both exactly once.
create unique index audit_entries_by_cause on audit_entries (chain, cause_digest) where kind in
	('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED');

-- +goose StatementBegin
create function require_entry() returns trigger language plpgsql as $$
begin
	if not exists (select from audit_entries e where e.chain = new.chain and e.cause_digest = sha256(new.body) and e.kind in
		('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED')) then
		raise exception '% % has no audit entry', tg_table_name, new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_entry after insert on decisions deferrable initially deferred
	for each row when (new.verdict in ('VERDICT_REFUSE', 'VERDICT_REFER')) execute function require_entry();
create constraint trigger require_entry after insert on overrides deferrable initially deferred
	for each row execute function require_entry();

-- +goose StatementBegin
create function require_cause() returns trigger language plpgsql as $$
begin
	if new.kind in ('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL') then
		perform from decisions d where d.chain = new.chain and d.id = split_part(new.decision, '/', 6)
			and d.parent = split_part(new.decision, '/', 4) and sha256(d.body) = new.cause_digest;
	else
		perform from overrides o where o.chain = new.chain and o.parent = split_part(new.decision, '/', 6)
			and sha256(o.body) = new.cause_digest;
	end if;
	if not found then
		raise exception 'audit entry % has no cause', new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_cause after insert on audit_entries deferrable initially deferred
	for each row when (new.kind in ('ENTRY_KIND_REFUSAL', 'ENTRY_KIND_REFERRAL', 'ENTRY_KIND_OVERRIDE', 'ENTRY_KIND_OVERRIDE_DENIED'))
	execute function require_cause();

-- +goose StatementBegin
do $$
declare t record;
begin
	for t in select tgrelid::regclass as name, tgname from pg_trigger where not tgisinternal
		and tgname in ('refuse_shrinking', 'refuse_change', 'refuse_loss', 'require_entry', 'require_cause') loop
		execute format('alter table %s enable always trigger %I', t.name, t.tgname);
	end loop;
end $$;
-- +goose StatementEnd

grant select, insert on log_heads, log_handovers, log_entries, log_tiles to alkalog_server;
grant select on log_leader to alkalog_server;
grant update on log_leader, log_heads, log_handovers, log_tiles to alkalog_server;
grant usage, select on sequence log_revisions to alkalog_server;
grant select on log_heads, log_handovers, log_entries, log_tiles to alkalog_auditor;
