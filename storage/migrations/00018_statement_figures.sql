-- Figures of practitioners about grouped statements: how often none of the items was
-- answered with yes, how long reading took, and how often the item that is asked by
-- itself was answered otherwise. Counted when a consultation is submitted; nothing of
-- before is counted.

-- +goose Up
alter table tally_figures
	add column statements             bigint not null default 0,
	add column statements_all_none    bigint not null default 0,
	add column statements_timed       bigint not null default 0,
	add column statement_seconds      bigint not null default 0,
	add column single_items           bigint not null default 0,
	add column single_items_differing bigint not null default 0;
