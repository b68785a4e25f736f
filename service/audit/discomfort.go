package audit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/service/timing"
	"alkalog/storage"
)

const (
	// storedWithin is how far apart an event and the storing of its session can be: a
	// till may be offline, or a session be left open. What is further apart is missed by
	// a summary of a period. Our own choice.
	storedWithin = 31 * 24 * time.Hour
	// mostCases bounds the cases of a summary; the contract states it.
	mostCases = 500
)

// groupsOfDiscomfort are the dimensions of SummarizeDiscomfort. A case belongs to the salon
// and the practitioner of its session, even if somebody else noted the discomfort.
var groupsOfDiscomfort = map[pb.SummaryDimension]func(*pb.DiscomfortCase) string{
	pb.SummaryDimension_SUMMARY_DIMENSION_SALON:        (*pb.DiscomfortCase).GetSalon,
	pb.SummaryDimension_SUMMARY_DIMENSION_PRACTITIONER: (*pb.DiscomfortCase).GetPractitioner,
	pb.SummaryDimension_SUMMARY_DIMENSION_PRODUCT:      (*pb.DiscomfortCase).GetProduct,
	pb.SummaryDimension_SUMMARY_DIMENSION_WEEK: func(c *pb.DiscomfortCase) string {
		year, week := c.GetReportTime().AsTime().ISOWeek()
		return fmt.Sprintf("%04d-W%02d", year, week)
	},
}

// SummarizeDiscomfort measures the time that matters most in a service: how soon water
// came when the client said that it burns.
//
// It opens the sessions in which discomfort was reported, folds their
// events as guidance did, and measures how long water took. A search column finds the
// sessions, so that all others stay closed.
func (s Service) SummarizeDiscomfort(ctx context.Context, req *pb.SummarizeDiscomfortRequest) (*pb.SummarizeDiscomfortResponse, error) {
	group := groupsOfDiscomfort[req.Dimension]
	if group == nil && req.Dimension != pb.SummaryDimension_SUMMARY_DIMENSION_UNSPECIFIED {
		return nil, fault.Invalid("dimension", "must be SALON, PRACTITIONER, PRODUCT or WEEK, or not stated")
	}
	caller := actor.From(ctx)
	var cases []*pb.DiscomfortCase
	err := storage.Read(ctx, s.DB, record.Chain(req.Parent), func(r *storage.Snapshot) (err error) {
		if _, err = record.Get(r, caller, storage.Chains, req.Parent); err == nil {
			cases, err = s.discomforts(r, instant(req.StartTime), instant(req.EndTime))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	answer := &pb.SummarizeDiscomfortResponse{All: timesOf("", cases)}
	if group != nil {
		answer.Rows = timesBy(group, cases)
	}
	slices.SortStableFunc(cases, func(a, b *pb.DiscomfortCase) int { return cmp.Compare(waited(b), waited(a)) })
	answer.Cases = cases[:min(len(cases), mostCases)]
	return answer, nil
}

// waited is the time to water for sorting; without water it is the longest of all, because
// a reader must see these first.
func waited(c *pb.DiscomfortCase) float64 {
	if c.Seconds == nil {
		return math.Inf(1)
	}
	return *c.Seconds
}

// discomforts returns the reports of a time, the newest session first. A visit that was
// moved to another client is counted there.
//
// Sessions are listed by when they were stored, reports by when they happened. The bounds
// on the former are therefore wider (storedWithin), and each report is compared with the
// latter.
func (s Service) discomforts(r *storage.Snapshot, from, to time.Time) (cases []*pb.DiscomfortCase, err error) {
	wanted := storage.SessionFilter{Discomfort: true}
	if !from.IsZero() {
		wanted.From = from.Add(-storedWithin)
	}
	if !to.IsZero() {
		wanted.To = to.Add(storedWithin)
	}
	for page := (storage.Page{Size: storage.MaxPageSize}); ; {
		sessions, next, err := storage.ListSessions(r, wanted, page)
		if err != nil {
			return nil, err
		}
		// One query each: they are few, and most calls ask for a month.
		for _, session := range sessions {
			if session.GetMovedTo() != "" {
				continue
			}
			found, err := s.discomfortsOf(r, session)
			if err != nil {
				return nil, err
			}
			cases = append(cases, slices.DeleteFunc(found, func(c *pb.DiscomfortCase) bool {
				at := c.GetReportTime().AsTime()
				return !from.IsZero() && at.Before(from) || !to.IsZero() && !at.Before(to)
			})...)
		}
		if next == "" {
			return cases, nil
		}
		page.Token = next
	}
}

// discomfortsOf returns the reports of one session; none of an erased client's.
//
// The catalogue is left out: it says whether products and lots were allowed, and not when
// water came. Without it no product has to be read.
func (s Service) discomfortsOf(r *storage.Snapshot, session *pb.Session) ([]*pb.DiscomfortCase, error) {
	events, err := storage.Events(r, session.GetName(), 0)
	if errors.Is(err, storage.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return timing.Discomforts(session, events, nil, s.Now()), nil
}

// timesBy groups reports, the largest group first. Groups of few reports say little; the
// count is beside each figure so that a reader can see it.
func timesBy(group func(*pb.DiscomfortCase) string, cases []*pb.DiscomfortCase) []*pb.DiscomfortTimes {
	grouped := map[string][]*pb.DiscomfortCase{}
	for _, c := range cases {
		grouped[group(c)] = append(grouped[group(c)], c)
	}
	var rows []*pb.DiscomfortTimes
	for key, of := range grouped {
		rows = append(rows, timesOf(key, of))
	}
	slices.SortFunc(rows, func(a, b *pb.DiscomfortTimes) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Key, b.Key))
	})
	return rows[:min(len(rows), mostRows)]
}

// timesOf sums up reports. A report without water has no time; it would make every
// quantile better than it was if it counted as one, so it is counted apart and as late.
func timesOf(key string, cases []*pb.DiscomfortCase) *pb.DiscomfortTimes {
	sum := &pb.DiscomfortTimes{Key: key, Count: int64(len(cases))}
	var times []float64
	for _, c := range cases {
		if c.GetLate() {
			sum.Late++
		}
		if c.Seconds == nil {
			sum.WithoutWater++
			continue
		}
		times = append(times, *c.Seconds)
	}
	slices.Sort(times)
	sum.MedianSeconds, sum.P90Seconds, sum.LongestSeconds = rank(times, 0.5), rank(times, 0.9), rank(times, 1)
	return sum
}

// rank returns the smallest of the sorted times that at least a share of them do not
// exceed; nil of none. It is the nearest-rank quantile, definition 1 of Hyndman and Fan
// (Sample Quantiles in Statistical Packages, The American Statistician 50:361, 1996);
// from memory.
func rank(sorted []float64, share float64) *float64 {
	if len(sorted) == 0 {
		return nil
	}
	// Without the small amount, 0.9 of 10 would be 9.000000000000002 at times.
	at := int(math.Ceil(share*float64(len(sorted))-1e-9)) - 1
	return &sorted[max(0, at)]
}
