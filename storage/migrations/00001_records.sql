-- The records of the salon: messages as bytes, with the columns that searches
-- need. The chain comes first in every key and index. Ids are compared byte by
-- byte ("C"), whatever the locale of the database, so that orders and indexes
-- stay the same when the operating system's rules of sorting change.

-- +goose Up
create domain id as text collate "C";

-- What was asked, and what was answered: a request is done once.
create table requests (
	chain      id          not null,
	id         id          not null,
	kind       text        not null,
	request    bytea       not null,
	answer     bytea       not null,
	claim_time timestamptz not null default clock_timestamp(),
	primary key (chain, id)
);

-- Every table of records begins with these columns: the chain, the id of the
-- client, decision or session the record belongs to (empty when that is the
-- chain), its own id, its etag (empty when it is never changed), its bytes.
create table chains         (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));
create table salons         (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));
create table practitioners  (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));
create table products       (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));
create table clients        (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));
create table consultations  (chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, primary key (chain, parent, id));

create table house_policies (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	state text not null,
	primary key (chain, parent, id)
);
-- One policy in force per chain.
create unique index house_policies_active on house_policies (chain) where state = 'POLICY_STATE_ACTIVE';

create table decisions (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	verdict text not null, create_time timestamptz,
	primary key (chain, parent, id)
);
create index decisions_by_id on decisions (chain, id);
-- What decisions were made under, by SHA-256, for ever.
create table policy_texts (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	primary key (chain, parent, id)
);
create table overrides (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	primary key (chain, parent, id)
);

create table sessions (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	sequence bigint not null, decision text, update_time timestamptz, open boolean not null, used text[],
	primary key (chain, parent, id)
);
create index sessions_by_id on sessions (chain, id);
create unique index sessions_by_decision on sessions (chain, decision) where decision is not null;
create index sessions_open on sessions (chain, update_time) where open;
-- Keys begin with the chain, because they are resource names.
create index sessions_by_use on sessions using gin (used);

create table session_events (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	sequence bigint not null,
	primary key (chain, parent, id),
	unique (chain, parent, sequence)
);

create table outcomes (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	session text not null,
	primary key (chain, parent, id),
	unique (chain, session)
);

-- The audit log.
create table audit_entries (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	kind text not null, salon text, actor text, client text, decision text, session text, product text,
	reason text, rules text[], occur_time timestamptz, record_time timestamptz not null,
	position bigint generated always as identity,
	primary key (chain, parent, id)
);
create index audit_entries_in_order  on audit_entries (chain, position);
create index audit_entries_by_kind   on audit_entries (chain, kind, position);
create index audit_entries_by_client on audit_entries (chain, client, position);

-- What is on record stays on record. The grants below keep the server's role
-- to it; these triggers keep everybody to it who has not taken them away first.
-- +goose StatementBegin
create function refuse_change() returns trigger language plpgsql as $$
begin
	raise exception '% on % refused: what is recorded is never changed', tg_op, tg_table_name
		using errcode = 'insufficient_privilege';
end $$;
-- +goose StatementEnd

-- +goose StatementBegin
do $$
declare t text;
begin
	foreach t in array array['requests', 'decisions', 'policy_texts', 'overrides', 'session_events', 'outcomes', 'audit_entries'] loop
		execute format('create trigger refuse_change before update or delete or truncate on %I
			for each statement execute function refuse_change()', t);
		execute format('alter table %I enable always trigger refuse_change', t);
	end loop;
end $$;
-- +goose StatementEnd

grant usage on schema alkalog to alkalog_server, alkalog_auditor;
grant select on goose_db_version to alkalog_server;
grant select, insert on requests, chains, salons, practitioners, products, clients, consultations, house_policies,
	decisions, policy_texts, overrides, sessions, session_events, outcomes, audit_entries to alkalog_server;
grant update on chains, salons, practitioners, products, clients, consultations, house_policies, sessions to alkalog_server;
grant select on sequence audit_entries_position_seq to alkalog_server;
grant select on audit_entries to alkalog_auditor;
