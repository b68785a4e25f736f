package record_test

import (
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/record"
)

func TestApplyChangesOnlyWhatTheMaskNames(t *testing.T) {
	stored := &pb.Salon{Name: "chains/ebb/salons/north", Etag: "a", DisplayName: "North", TimeZone: "Europe/London"}
	got, err := record.Apply(stored, &pb.Salon{DisplayName: "North Quay"}, &fieldmaskpb.FieldMask{Paths: []string{"display_name"}})
	if err != nil {
		t.Fatal(err)
	}
	if got.DisplayName != "North Quay" || got.TimeZone != "Europe/London" || got.Name != stored.Name {
		t.Errorf("got %v", got)
	}
	if stored.DisplayName != "North" {
		t.Error("the stored record was changed")
	}
	cleared, err := record.Apply(stored, &pb.Salon{}, &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}})
	if err != nil || cleared.TimeZone != "" {
		t.Errorf("a named field without a value is cleared; got %v, %v", cleared, err)
	}
}

func TestApplyRefusesWhatCallersMayNotChange(t *testing.T) {
	for _, paths := range [][]string{nil, {"name"}, {"etag"}, {"create_time"}, {"no_such_field"}, {"display_name.x"}, {"*"}} {
		_, err := record.Apply(&pb.Salon{}, &pb.Salon{}, &fieldmaskpb.FieldMask{Paths: paths})
		if err == nil {
			t.Errorf("mask %v was accepted", paths)
		}
	}
}

func TestClearRemovesWhatTheServerSets(t *testing.T) {
	product := &pb.Product{Name: "x", Etag: "y", DisplayName: "Kind"}
	record.Clear(product)
	if product.Name != "" || product.Etag != "" || product.DisplayName != "Kind" {
		t.Errorf("got %v", product)
	}
}
