-- The school: cases, students' attempts on them, and marking sheets. They are of no
-- client and are stored in clear. A marking sheet never changes, and one that an
-- instructor has confirmed has its entry on the audit log.

-- +goose Up
create table cases (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, write_id id,
	primary key (chain, parent, id)
);
create table attempts (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, write_id id,
	student text, submitted boolean,
	primary key (chain, parent, id)
);
create index attempts_by_id on attempts (chain, id);
create index attempts_of_students on attempts (chain, student, id);
create table mark_sheets (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, write_id id,
	confirmed boolean,
	primary key (chain, parent, id)
);
create index mark_sheets_confirmed on mark_sheets (chain, id) where confirmed;

-- +goose StatementBegin
create function require_marks_entry() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	if not exists (select from audit_entries e where e.chain = new.chain and e.cause_digest = sha256(new.body) and e.kind = 'ENTRY_KIND_MARKS_CONFIRMED') then
		raise exception 'marking sheet % has no audit entry', new.id using errcode = 'integrity_constraint_violation';
	end if;
	return null;
end $$;
-- +goose StatementEnd
create constraint trigger require_marks_entry after insert on mark_sheets deferrable initially deferred
	for each row when (new.confirmed) execute function require_marks_entry();
alter table mark_sheets enable always trigger require_marks_entry;
create index audit_entries_of_marks on audit_entries (chain, cause_digest) where kind = 'ENTRY_KIND_MARKS_CONFIRMED';

create trigger refuse_change before update or delete or truncate on mark_sheets for each statement execute function refuse_change();
alter table mark_sheets enable always trigger refuse_change;
create trigger refuse_loss before delete or truncate on attempts for each statement execute function refuse_change();
alter table attempts enable always trigger refuse_loss;
create trigger refuse_loss before delete or truncate on cases for each statement execute function refuse_change();
alter table cases enable always trigger refuse_loss;

call raise_wall('cases');
call raise_wall('attempts');
call raise_wall('mark_sheets');
grant select, insert, update on cases, attempts to alkalog_server;
grant select, insert on mark_sheets to alkalog_server;
