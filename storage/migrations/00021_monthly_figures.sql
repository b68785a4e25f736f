-- Roll-ups: the counters of a day added up by the month, so that the summary of a
-- year reads twelve rows where it would read 365. Months are taken from the roll-ups
-- only if tally_months lists them; all others are read by the day. So nothing is
-- rolled up here: servers do it afterwards, a month at a time.
--
-- Triggers keep the roll-ups of listed months, whichever version of the server counts.
-- They run in the transaction that counts, so that a month always is the sum of its
-- days. Who rolls a month up holds the row of tally_turn meanwhile, as who counts does.
-- A migration that adds a column to tally_figures adds it here and to roll_up_figures.

-- +goose Up
create table tally_months (chain id not null, month date not null, primary key (chain, month));
create table tally_month_entries (
	chain id not null, dimension text not null, month date not null, kind text not null, key text not null,
	entries bigint not null, decisions bigint not null,
	primary key (chain, dimension, month, kind, key)
);
create table tally_month_figures (
	chain id not null, month date not null, practitioner text not null,
	turned_away            bigint not null,
	turned_away_overridden bigint not null,
	overridable            bigint not null,
	overridden             bigint not null,
	begun                  bigint not null,
	deviated               bigint not null,
	closed                 bigint not null,
	bad                    bigint not null,
	answers_changed        bigint not null,
	what_ifs               bigint not null,
	statements             bigint not null,
	statements_all_none    bigint not null,
	statements_timed       bigint not null,
	statement_seconds      bigint not null,
	single_items           bigint not null,
	single_items_differing bigint not null,
	primary key (chain, month, practitioner)
);

-- +goose StatementBegin
create function month_of(day date) returns date language sql immutable parallel safe
	return date_trunc('month', day::timestamp)::date;
-- +goose StatementEnd

-- +goose StatementBegin
create function roll_up_entries() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	if tg_op = 'INSERT' then
		insert into tally_month_entries as t
			select n.chain, n.dimension, m.month, n.kind, n.key, sum(n.entries), sum(n.decisions)
			from fresh n join tally_months m on m.chain = n.chain and m.month = month_of(n.day) group by 1, 2, 3, 4, 5
		on conflict (chain, dimension, month, kind, key)
			do update set entries = t.entries + excluded.entries, decisions = t.decisions + excluded.decisions;
	else
		insert into tally_month_entries as t
			select n.chain, n.dimension, m.month, n.kind, n.key, sum(n.entries - o.entries), sum(n.decisions - o.decisions)
			from fresh n join stale o using (chain, dimension, day, kind, key)
			join tally_months m on m.chain = n.chain and m.month = month_of(n.day) group by 1, 2, 3, 4, 5
		on conflict (chain, dimension, month, kind, key)
			do update set entries = t.entries + excluded.entries, decisions = t.decisions + excluded.decisions;
	end if;
	return null;
end $$;
-- +goose StatementEnd
create trigger roll_up after insert on tally_entries referencing new table as fresh for each statement execute function roll_up_entries(); -- older servers: it adds to tables that only it and newer servers use
create trigger roll_up_change after update on tally_entries referencing old table as stale new table as fresh -- older servers: as above
	for each statement execute function roll_up_entries();

-- +goose StatementBegin
create function roll_up_figures() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	if tg_op = 'INSERT' then
		insert into tally_month_figures as t (chain, month, practitioner, turned_away, turned_away_overridden, overridable, overridden, begun, deviated, closed, bad, answers_changed, what_ifs, statements, statements_all_none, statements_timed, statement_seconds, single_items, single_items_differing)
			select n.chain, m.month, n.practitioner,
			sum(n.turned_away), sum(n.turned_away_overridden), sum(n.overridable), sum(n.overridden),
			sum(n.begun), sum(n.deviated), sum(n.closed), sum(n.bad),
			sum(n.answers_changed), sum(n.what_ifs), sum(n.statements), sum(n.statements_all_none),
			sum(n.statements_timed), sum(n.statement_seconds), sum(n.single_items), sum(n.single_items_differing)
			from fresh n join tally_months m on m.chain = n.chain and m.month = month_of(n.day) group by 1, 2, 3
		on conflict (chain, month, practitioner) do update set
			turned_away = t.turned_away + excluded.turned_away, turned_away_overridden = t.turned_away_overridden + excluded.turned_away_overridden, overridable = t.overridable + excluded.overridable,
			overridden = t.overridden + excluded.overridden, begun = t.begun + excluded.begun, deviated = t.deviated + excluded.deviated,
			closed = t.closed + excluded.closed, bad = t.bad + excluded.bad, answers_changed = t.answers_changed + excluded.answers_changed,
			what_ifs = t.what_ifs + excluded.what_ifs, statements = t.statements + excluded.statements, statements_all_none = t.statements_all_none + excluded.statements_all_none,
			statements_timed = t.statements_timed + excluded.statements_timed, statement_seconds = t.statement_seconds + excluded.statement_seconds, single_items = t.single_items + excluded.single_items,
			single_items_differing = t.single_items_differing + excluded.single_items_differing;
	else
		insert into tally_month_figures as t (chain, month, practitioner, turned_away, turned_away_overridden, overridable, overridden, begun, deviated, closed, bad, answers_changed, what_ifs, statements, statements_all_none, statements_timed, statement_seconds, single_items, single_items_differing)
			select n.chain, m.month, n.practitioner,
			sum(n.turned_away - o.turned_away), sum(n.turned_away_overridden - o.turned_away_overridden), sum(n.overridable - o.overridable), sum(n.overridden - o.overridden),
			sum(n.begun - o.begun), sum(n.deviated - o.deviated), sum(n.closed - o.closed), sum(n.bad - o.bad),
			sum(n.answers_changed - o.answers_changed), sum(n.what_ifs - o.what_ifs), sum(n.statements - o.statements), sum(n.statements_all_none - o.statements_all_none),
			sum(n.statements_timed - o.statements_timed), sum(n.statement_seconds - o.statement_seconds), sum(n.single_items - o.single_items), sum(n.single_items_differing - o.single_items_differing)
			from fresh n join stale o using (chain, day, practitioner)
			join tally_months m on m.chain = n.chain and m.month = month_of(n.day) group by 1, 2, 3
		on conflict (chain, month, practitioner) do update set
			turned_away = t.turned_away + excluded.turned_away, turned_away_overridden = t.turned_away_overridden + excluded.turned_away_overridden, overridable = t.overridable + excluded.overridable,
			overridden = t.overridden + excluded.overridden, begun = t.begun + excluded.begun, deviated = t.deviated + excluded.deviated,
			closed = t.closed + excluded.closed, bad = t.bad + excluded.bad, answers_changed = t.answers_changed + excluded.answers_changed,
			what_ifs = t.what_ifs + excluded.what_ifs, statements = t.statements + excluded.statements, statements_all_none = t.statements_all_none + excluded.statements_all_none,
			statements_timed = t.statements_timed + excluded.statements_timed, statement_seconds = t.statement_seconds + excluded.statement_seconds, single_items = t.single_items + excluded.single_items,
			single_items_differing = t.single_items_differing + excluded.single_items_differing;
	end if;
	return null;
end $$;
-- +goose StatementEnd
create trigger roll_up after insert on tally_figures referencing new table as fresh for each statement execute function roll_up_figures(); -- older servers: it adds to tables that only it and newer servers use
create trigger roll_up_change after update on tally_figures referencing old table as stale new table as fresh -- older servers: as above
	for each statement execute function roll_up_figures();

alter table tally_entries enable always trigger roll_up;
alter table tally_entries enable always trigger roll_up_change;
alter table tally_figures enable always trigger roll_up;
alter table tally_figures enable always trigger roll_up_change;

call raise_wall('tally_months');
call raise_wall('tally_month_entries');
call raise_wall('tally_month_figures');
create policy of_the_keeper on tally_months to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_month_entries to alkalog_keeper using (true) with check (true);
create policy of_the_keeper on tally_month_figures to alkalog_keeper using (true) with check (true);
grant select on tally_months, tally_month_entries, tally_month_figures to alkalog_server;
grant select, insert, update on tally_months, tally_month_entries, tally_month_figures to alkalog_keeper;
