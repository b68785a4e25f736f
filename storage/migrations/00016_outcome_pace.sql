-- The practitioner's pace is learned from the outcomes of the practitioner's own
-- visits. The column is set only where the outcome measured a pace, so outcomes from
-- before stay as they are.

-- +goose Up
alter table outcomes add column practitioner text;
create index outcomes_of_practitioner on outcomes (chain, practitioner, id) where practitioner is not null;
