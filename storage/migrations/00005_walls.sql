-- Walls between the chains: in each transaction only the rows of the chain that
-- it is for are there, whatever a statement asks for. They hold for the owner of
-- the tables too. A superuser and a role with BYPASSRLS step over them, so the
-- server refuses to work as one.

-- +goose Up

-- What a session is found by when a product is recalled. As an array with an
-- index of its own kind it would be searched only after every session of the
-- chain had been read: a wall lets no operator look at a row first that might
-- tell of it, and that of arrays might.
drop index sessions_by_use;
create table session_uses (
	chain id not null, used id not null, parent id not null, session id not null,
	primary key (chain, used, parent, session)
);
insert into session_uses select distinct chain, unnest(used), parent, id from sessions;

-- +goose StatementBegin
create function note_uses() returns trigger language plpgsql as $$
begin
	insert into session_uses select distinct new.chain, u, new.parent, new.id from unnest(new.used) as u on conflict do nothing;
	return null;
end $$;
-- +goose StatementEnd
create trigger note_uses after insert on sessions for each row when (new.used is not null) execute function note_uses();
create trigger note_more_uses after update of used on sessions for each row
	when (new.used is distinct from old.used and new.used is not null) execute function note_uses();
alter table sessions enable always trigger note_uses;
alter table sessions enable always trigger note_more_uses;
grant select, insert on session_uses to alkalog_server;

-- Who logs in to look at which chain's audit log. The database's administrator
-- writes it: insert into alkalog.auditor_chains values ('ebb-and-flow', 'anna').
create table auditor_chains (chain id not null, login text not null, primary key (chain, login));
grant select on auditor_chains to alkalog_auditor;

-- Supervisors' signatures under students' decisions, under the same keys as
-- those: written once, with their audit entries.
create table countersignatures (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	primary key (chain, parent, id)
);
create trigger refuse_change before update or delete or truncate on countersignatures for each statement execute function refuse_change();
alter table countersignatures enable always trigger refuse_change;
-- +goose StatementBegin
create function require_signature_entry() returns trigger language plpgsql as $$
begin
	if not exists (select from audit_entries e where e.chain = new.chain and e.cause_digest = sha256(new.body) and e.kind = 'ENTRY_KIND_COUNTERSIGNED'
		and split_part(e.decision, '/', 6) = new.id) then
		raise exception 'countersignature of % has no audit entry', new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_signature_entry after insert on countersignatures deferrable initially deferred
	for each row execute function require_signature_entry();
alter table countersignatures enable always trigger require_signature_entry;

-- +goose StatementBegin
create function require_signature() returns trigger language plpgsql as $$
begin
	if not exists (select from countersignatures c where c.chain = new.chain and c.parent = split_part(new.decision, '/', 4)
		and c.id = split_part(new.decision, '/', 6) and sha256(c.body) = new.cause_digest) then
		raise exception 'audit entry % has no signature', new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_signature after insert on audit_entries deferrable initially deferred
	for each row when (new.kind = 'ENTRY_KIND_COUNTERSIGNED') execute function require_signature();
alter table audit_entries enable always trigger require_signature;
create index audit_entries_of_signatures on audit_entries (chain, cause_digest) where kind = 'ENTRY_KIND_COUNTERSIGNED';
grant select, insert on countersignatures to alkalog_server;

-- raise_wall puts the wall around a table. Every table with a chain has one; a
-- migration that makes such a table calls it.
-- +goose StatementBegin
create procedure raise_wall(name regclass) language plpgsql as $$
declare mine constant text := $q$chain = nullif(current_setting('alkalog.chain', true), '')$q$;
begin
	execute format('alter table %s enable row level security', name);
	execute format('alter table %s force row level security', name);
	execute format('create policy of_the_chain on %s using (%s) with check (%s)', name, mine, mine);
	if name <> 'auditor_chains'::regclass then
		execute format('create policy of_the_auditor on %s as restrictive for select to alkalog_auditor using
			(exists (select from auditor_chains a where a.chain = %s.chain and a.login = session_user))', name, name);
	end if;
end $$;
-- +goose StatementEnd

-- +goose StatementBegin
do $$
declare t record;
begin
	for t in select c.oid::regclass as name from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'chain'
		where c.relnamespace = 'alkalog'::regnamespace and c.relkind = 'r' and not a.attisdropped order by 1 loop
		call raise_wall(t.name);
	end loop;
end $$;
-- +goose StatementEnd

-- What concerns all chains is done in the keeper's role: which chains there are,
-- and putting entries on their logs. Nobody else writes those.
grant usage on schema alkalog to alkalog_keeper;
grant select (chain, parent, id, body) on chains to alkalog_keeper;
grant select (chain, id, position, body) on audit_entries to alkalog_keeper;
grant select on sequence audit_entries_position_seq to alkalog_keeper;
grant usage, select on sequence log_revisions to alkalog_keeper;
grant select, insert on log_heads, log_handovers, log_entries, log_tiles to alkalog_keeper;
grant update on log_heads, log_handovers, log_tiles to alkalog_keeper;
grant select, update on log_leader to alkalog_keeper;
revoke insert, update on log_heads, log_handovers, log_entries, log_tiles, log_leader from alkalog_server;
revoke select on log_leader from alkalog_server;
revoke all on sequence log_revisions from alkalog_server;
create policy of_the_keeper on chains for select to alkalog_keeper using (true);
create policy of_the_keeper on audit_entries for select to alkalog_keeper using (true);
create policy of_the_keeper on log_heads to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on log_handovers to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on log_entries to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on log_tiles to alkalog_keeper using (true) with check (true);
