package directory

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "alkalog/proto/alkalogv1"
	"alkalog/service/actor"
	"alkalog/service/fault"
	"alkalog/service/record"
	"alkalog/storage"
)

// settingsOf returns the settings of a chain as a resource of their own. They are
// stored within the chain, so that the chain's etag guards them and its audit entry
// names the settings that changed.
func settingsOf(chain *pb.Chain) *pb.ChainSettings {
	settings := &pb.ChainSettings{}
	proto.Merge(settings, chain.GetSettings())
	settings.Name, settings.Etag, settings.UpdateTime = chain.GetName()+"/settings", chain.GetEtag(), chain.GetUpdateTime()
	return settings
}

// GetChainSettings returns the settings of a chain. A chain that never set any has
// settings without values, not NOT_FOUND.
func (s Service) GetChainSettings(ctx context.Context, req *pb.GetChainSettingsRequest) (*pb.GetChainSettingsResponse, error) {
	chain, err := record.Read(ctx, s.DB, storage.Chains, strings.TrimSuffix(req.Name, "/settings"))
	if err != nil {
		return nil, err
	}
	return &pb.GetChainSettingsResponse{ChainSettings: settingsOf(chain)}, nil
}

// UpdateChainSettings changes the settings that the mask names.
func (s Service) UpdateChainSettings(ctx context.Context, req *pb.UpdateChainSettingsRequest) (*pb.UpdateChainSettingsResponse, error) {
	caller, now := actor.From(ctx), s.Now()
	wanted := req.ChainSettings
	name, found := strings.CutSuffix(wanted.Name, "/settings")
	if !found {
		return nil, fault.Invalid("chain_settings.name", `must be the name of the settings to change, "chains/{chain}/settings"`)
	}
	audit := record.EntryContext(caller, req, name, now)
	return storage.Write(ctx, s.DB, record.Chain(name), req, func(r *storage.Snapshot) (*pb.UpdateChainSettingsResponse, storage.Changes, error) {
		stored, err := record.GetFresh(r, caller, storage.Chains, name, wanted.Etag)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		settings, err := record.Apply(settingsOf(stored), wanted, req.UpdateMask)
		if err != nil {
			return nil, storage.Changes{}, err
		}
		settings.Name, settings.Etag, settings.UpdateTime = "", "", nil // the chain has them
		amended := proto.CloneOf(stored)
		amended.Settings = settings
		record.SetTime(amended, "update_time", now)
		replaced := storage.Chains.Replace(stored, amended)
		return &pb.UpdateChainSettingsResponse{ChainSettings: settingsOf(amended)}, storage.Changes{
			Records: []storage.Record{replaced},
			Entries: []*pb.AuditEntry{audit.Changed(stored, amended)},
		}, nil
	})
}
