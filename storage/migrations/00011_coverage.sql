-- Coverage: every write leaves a digest of all that it has stored, and batches of
-- these digests are entries on the log, so that a record that is changed, deleted
-- or slipped in later does not fit the log any more. See storage/coverage.go.

-- +goose Up

-- What a write has stored, by digest (storage.newManifest), and its place in the
-- order of writes. NULL: from before.
alter table requests add column manifest bytea, add column position bigint;
create sequence requests_position_seq owned by requests.position;
alter table requests alter column position set default nextval('requests_position_seq');
alter table requests alter column manifest set storage external; -- digests do not compress
create index requests_by_position on requests (position) where position is not null;
grant usage on sequence requests_position_seq to alkalog_server;
grant select on sequence requests_position_seq to alkalog_keeper;
grant usage on sequence audit_entries_position_seq to alkalog_keeper; -- see storage.MarkWrites

-- The writes that an entry covers. They outlive the requests.
create table log_writes (
	chain id not null, entry id not null, position bigint not null,
	id         id          not null, -- of the request
	claim_time timestamptz not null,
	manifest   bytea       not null,
	primary key (chain, entry, position)
);
create unique index log_writes_by_id on log_writes (chain, id, position);
create index log_writes_in_order on log_writes (chain, position);
alter table log_writes alter column manifest set storage external;

-- The records that no write covers: they were stored before there was coverage, or
-- a migration has rewritten them. A later round replaces an earlier one.
create table log_baseline (
	chain id not null, kind id not null, parent id not null, id id not null, round int not null, digest bytea not null,
	primary key (chain, kind, parent, id, round)
);
-- The entry that covers a round.
create table log_baselines (chain id not null, round int not null, entry id not null, primary key (chain, round));

-- cover_anew makes the records of a table, as they are stored now, part of a
-- baseline. A migration that changes stored bytes, etags or keys calls it, and the
-- next leader puts the round on the log. It needs the walls around the table to
-- be down.
-- +goose StatementBegin
create procedure cover_anew(name text, round int) language plpgsql as $$
begin
	execute format($q$insert into log_baseline (chain, kind, parent, id, round, digest)
		select chain, %L, parent, id, $1, sha256(convert_to(etag, 'UTF8') || '\x00'::bytea || body) from %I$q$, name, name) using round;
end $$;
-- +goose StatementEnd

-- +goose StatementBegin
do $$
declare t text;
begin
	foreach t in array array['chains', 'salons', 'practitioners', 'products', 'clients', 'consultations', 'house_policies', 'decisions', 'policy_texts',
		'overrides', 'countersignatures', 'sessions', 'session_events', 'outcomes', 'incidents'] loop
		-- The request that has stored the record as it is now. NULL: see log_baseline.
		execute format('alter table %I add column write_id id', t);
		execute format('alter table %I no force row level security', t);
		call cover_anew(t, 1);
		execute format('alter table %I force row level security', t);
	end loop;
	alter table requests no force row level security;
	insert into log_baseline (chain, kind, parent, id, round, digest)
		select chain, 'requests', '', id, 1, sha256(sha256(request) || sha256(answer) || case when refused then '\x01'::bytea else '\x00'::bytea end) from requests;
	alter table requests force row level security;
end $$;
-- +goose StatementEnd

create trigger refuse_change before update or delete or truncate on log_writes for each statement execute function refuse_change();
create trigger refuse_change before update or delete or truncate on log_baseline for each statement execute function refuse_change();
create trigger refuse_change before update or delete or truncate on log_baselines for each statement execute function refuse_change();
alter table log_writes enable always trigger refuse_change;
alter table log_baseline enable always trigger refuse_change;
alter table log_baselines enable always trigger refuse_change;
call raise_wall('log_writes');
call raise_wall('log_baseline');
call raise_wall('log_baselines');

-- A request is forgotten only when an entry covers what it has stored.
-- +goose StatementBegin
create or replace function refuse_early_purge() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	if old.claim_time > clock_timestamp() - interval '1 day' then
		raise exception 'delete on requests refused: what was asked within a day is never changed' using errcode = 'insufficient_privilege';
	end if;
	if old.manifest is not null and not exists (select from log_writes w where w.chain = old.chain and w.id = old.id and w.position = old.position) then
		raise exception 'delete on requests refused: no entry covers what this request has stored yet' using errcode = 'insufficient_privilege';
	end if;
	return old;
end $$;
-- +goose StatementEnd

-- Whoever keeps the logs makes the entries of coverage, and no others.
alter table log_leader add column covered bigint not null default 0; -- writes up to here are covered
grant select on log_writes, log_baseline, log_baselines to alkalog_server;
grant select, insert on log_writes, log_baselines to alkalog_keeper;
grant select on log_baseline to alkalog_keeper;
grant select (chain, id, position, claim_time, manifest) on requests to alkalog_keeper;
grant insert on audit_entries to alkalog_keeper;
grant insert on tally_queue to alkalog_keeper;
create policy of_the_keeper on requests for select to alkalog_keeper using (true);
create policy of_the_keeper on log_writes to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on log_baseline for select to alkalog_keeper using (true);
create policy of_the_keeper on log_baselines to alkalog_keeper using (true) with check (true);
-- +goose StatementBegin
do $$
begin
	drop policy of_the_keeper on audit_entries;
	create policy of_the_keeper on audit_entries to alkalog_keeper using (true) with check (kind in ('ENTRY_KIND_COVERAGE', 'ENTRY_KIND_BASELINE'));
end $$;
-- +goose StatementEnd
