-- What went wrong with a client. Sealed with the client's key, as all records of
-- clients; every version has an entry on the audit log, committed with it.

-- +goose Up
create table incidents (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null,
	salon text, due_time timestamptz, unlogged_time timestamptz,
	primary key (chain, parent, id)
);
alter table incidents alter column body set storage external;
create index incidents_by_id on incidents (chain, id);
create index incidents_due on incidents (chain, due_time) where due_time is not null;
create index incidents_unlogged on incidents (chain, unlogged_time) where unlogged_time is not null;

-- +goose StatementBegin
create function require_incident_entry() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	if not exists (select from audit_entries e where e.chain = new.chain and e.cause_digest = sha256(new.body)
		and e.kind in ('ENTRY_KIND_INCIDENT', 'ENTRY_KIND_FOLLOW_UP', 'ENTRY_KIND_FOLLOW_UP_OVERDUE')) then
		raise exception 'incident % has no audit entry', new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_incident_entry after insert or update of body on incidents deferrable initially deferred
	for each row execute function require_incident_entry();
alter table incidents enable always trigger require_incident_entry;
create index audit_entries_of_incidents on audit_entries (chain, cause_digest)
	where kind in ('ENTRY_KIND_INCIDENT', 'ENTRY_KIND_FOLLOW_UP', 'ENTRY_KIND_FOLLOW_UP_OVERDUE');

-- +goose StatementBegin
create function refuse_incident_loss() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	raise exception '% on incidents refused: an incident stays on record', tg_op using errcode = 'insufficient_privilege';
end $$;
-- +goose StatementEnd
create trigger refuse_loss before delete or truncate on incidents for each statement execute function refuse_incident_loss();
alter table incidents enable always trigger refuse_loss;

call raise_wall('incidents');
grant select, insert, update on incidents to alkalog_server;
