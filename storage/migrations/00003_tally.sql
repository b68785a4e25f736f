-- What is counted: entries, decisions, and what became of decisions. Nobody who
-- writes waits for a counter: a transaction leaves a row per fact in a queue, and
-- the facts are taken from there and added up afterwards.

-- +goose Up

-- Search columns, filled in with the records.
alter table audit_entries add column on_behalf_of text, add column till text;
alter table decisions add column salon text, add column practitioner text, add column actor text, add column overridable boolean;
alter table outcomes add column bad boolean;

-- A page of what is asked for most begins where it left off.
create index audit_entries_by_salon     on audit_entries (chain, salon, position);
create index audit_entries_by_actor     on audit_entries (chain, actor, position);
create index audit_entries_by_decision  on audit_entries (chain, decision, position) where decision is not null;
create index audit_entries_by_session   on audit_entries (chain, session, position) where session is not null;
create index audit_entries_on_behalf_of on audit_entries (chain, on_behalf_of, position) where on_behalf_of is not null;

-- Facts that are not counted yet. Rows are added and taken away, never changed.
create table tally_queue (
	position bigint generated always as identity primary key,
	chain        id   not null,
	fact         text not null, -- entry, decision, begun, outcome
	decision     id,          -- its id; a fact that is about none has none
	time         timestamptz, -- of the record
	kind         text,        -- of an entry
	verdict      text,        -- of a decision
	salon        text,
	actor        text,
	practitioner text,        -- of a decision: who is to do it
	rule         text,        -- of an entry: the deciding one
	reason       text,        -- of an entry
	entry        bigint,      -- of an entry: its position
	flag         boolean      -- of a decision: something may be overridden; of an outcome: it was bad
);

-- What is known of a decision, so that each counts once, whatever comes of it
-- and in whatever order that is told. Of facts that come after one another the
-- place in the queue is kept.
create table tally_decisions (
	chain id not null, id id not null,
	day          date, -- UTC, of the decision; absent until the decision was told of
	verdict      text not null default '',
	salon        text not null default '',
	actor        text not null default '',
	practitioner text not null default '',
	overridable  boolean not null default false,
	overridden   bigint  not null default 0, -- the first override; 0: none
	begun        boolean not null default false,
	deviated     bigint  not null default 0, -- the last departure; 0: none
	closed       bigint  not null default 0, -- the outcome; 0: not known
	bad          boolean not null default false,
	marks        text    not null default '', -- the counts it stands in, a line each
	primary key (chain, id)
);

-- The counters, by the day (UTC): entries by the day of the record, decisions
-- that came to such an entry by the day of the decision. The kind is empty for
-- decisions of every kind.
create table tally_entries (
	chain id not null, dimension text not null, day date not null, kind text not null, key text not null,
	entries bigint not null, decisions bigint not null,
	primary key (chain, dimension, day, kind, key)
);

-- What became of decisions, by the day (UTC) and practitioner of the decision.
create table tally_figures (
	chain id not null, day date not null, practitioner text not null,
	turned_away            bigint not null, -- refused or referred
	turned_away_overridden bigint not null, -- of these, overridden
	overridable            bigint not null, -- with a finding that may be overridden
	overridden             bigint not null, -- of these, overridden
	begun                  bigint not null, -- of these, the service has begun
	deviated               bigint not null, -- of these, it departed afterwards
	closed                 bigint not null, -- of the overridden, the outcome is known
	bad                    bigint not null, -- of these, it was bad
	primary key (chain, day, practitioner)
);

-- Where on the log the entries of a day (UTC, of the record) are: what is asked of
-- a time is looked for there, and in the queue, and nowhere else.
create table tally_days (
	chain id not null, day date not null, first bigint not null, last bigint not null,
	primary key (chain, day)
);

-- Whoever counts holds this row, so that one server does so at a time.
create table tally_turn (only_row boolean primary key default true check (only_row));
insert into tally_turn default values;

-- +goose StatementBegin
create function tell_of_entry() returns trigger language plpgsql as $$
begin
	insert into tally_queue (chain, fact, decision, time, kind, salon, actor, rule, reason, entry)
	values (new.chain, 'entry', nullif(split_part(new.decision, '/', 6), ''), new.record_time, new.kind, new.salon, new.actor, new.rules[1], new.reason,
		new.position);
	return null;
end $$;
-- +goose StatementEnd
create trigger tell after insert on audit_entries for each row execute function tell_of_entry();

-- +goose StatementBegin
create function tell_of_decision() returns trigger language plpgsql as $$
begin
	insert into tally_queue (chain, fact, decision, time, verdict, salon, actor, practitioner, flag)
	values (new.chain, 'decision', new.id, new.create_time, new.verdict, new.salon, new.actor, new.practitioner, new.overridable);
	return null;
end $$;
-- +goose StatementEnd
create trigger tell after insert on decisions for each row execute function tell_of_decision();

-- +goose StatementBegin
create function tell_of_begin() returns trigger language plpgsql as $$
begin
	insert into tally_queue (chain, fact, decision) values (new.chain, 'begun', split_part(new.decision, '/', 6));
	return null;
end $$;
-- +goose StatementEnd
create trigger tell after insert on sessions for each row when (new.decision is not null) execute function tell_of_begin();

-- +goose StatementBegin
create function tell_of_outcome() returns trigger language plpgsql as $$
begin
	insert into tally_queue (chain, fact, decision, flag)
	select new.chain, 'outcome', split_part(s.decision, '/', 6), new.bad from sessions s
	where s.chain = new.chain and s.id = split_part(new.session, '/', 6) and s.decision is not null;
	return null;
end $$;
-- +goose StatementEnd
create trigger tell after insert on outcomes for each row execute function tell_of_outcome();

-- +goose StatementBegin
do $$
declare t text;
begin
	foreach t in array array['audit_entries', 'decisions', 'sessions', 'outcomes'] loop
		execute format('alter table %I enable always trigger tell', t);
	end loop;
end $$;
-- +goose StatementEnd

-- What was recorded before there were counters is counted too, as far as search
-- columns tell.
insert into tally_queue (chain, fact, decision, time, kind, salon, actor, rule, reason, entry)
	select chain, 'entry', nullif(split_part(decision, '/', 6), ''), record_time, kind, salon, actor, rules[1], reason, position
	from audit_entries order by position;

-- Who writes adds to the queue; who counts, for all chains, is the keeper.
grant select, insert on tally_queue to alkalog_server;
grant select on tally_entries, tally_figures, tally_days to alkalog_server;
grant select, delete on tally_queue to alkalog_keeper;
grant select, insert, update on tally_decisions, tally_entries, tally_figures, tally_days to alkalog_keeper;
grant select, update on tally_turn to alkalog_keeper;
create policy of_the_keeper on tally_queue to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_decisions to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_entries to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_days to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_figures to alkalog_keeper using (true) with check (true);
