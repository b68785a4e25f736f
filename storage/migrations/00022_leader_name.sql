-- The name of the server that leads the logs, for operators. An older server that takes the
-- lead leaves the columns alone, so the name counts only for its own epoch.

-- +goose Up
alter table log_leader add column holder text not null default '', add column holder_epoch bigint not null default 0;
