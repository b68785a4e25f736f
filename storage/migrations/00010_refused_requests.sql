-- A request can be answered with an error that is stored with what it recorded,
-- so that a refusal stays on the log and a retry is refused alike.

-- +goose Up
alter table requests add column refused boolean not null default false;
