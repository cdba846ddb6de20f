package api

import (
	"pinwright/internal/calc/length"
	"pinwright/internal/vehicle"
)

// asGivenIn is a length as a request would give it, in millimetres, which hold any
// number of nanometres.
func asGivenIn(nm *int64) *LengthIn {
	q, err := asGiven(nm, string(length.Millimetre))
	if err != nil { // it was within the limit of a length when it was sent
		panic("api: " + err.Error())
	}
	return q
}

func bossIn(b *BossIn) vehicle.Boss {
	if b == nil {
		return vehicle.Boss{}
	}
	return vehicle.Boss{Kind: (*string)(b.Kind), OuterNM: nanometres(b.Diameter), MinimumWallNM: nanometres(b.MinimumWall), Material: (*string)(b.Material), HardnessHB: b.Hardness}
}

func bossOut(b vehicle.Boss, unit string) *Boss {
	if b == (vehicle.Boss{}) {
		return nil
	}
	return &Boss{Kind: (*BossKind)(b.Kind), Diameter: optionalLength(b.OuterNM, unit), MinimumWall: optionalLength(b.MinimumWallNM, unit),
		Material: (*BossMaterial)(b.Material), Hardness: b.HardnessHB}
}

func accessIn(a *AccessIn) vehicle.Access {
	if a == nil {
		return vehicle.Access{}
	}
	return vehicle.Access{Blind: a.Blind, Keyway: a.Keyway, OilGroove: a.OilGroove, Interrupted: a.Interrupted,
		RoomBeyondNM: nanometres(a.RoomBeyond), RoomBeforeNM: nanometres(a.RoomBefore)}
}

func accessOut(a vehicle.Access, unit string) *Access {
	if a == (vehicle.Access{}) {
		return nil
	}
	return &Access{Blind: a.Blind, Keyway: a.Keyway, OilGroove: a.OilGroove, Interrupted: a.Interrupted,
		RoomBeyond: optionalLength(a.RoomBeyondNM, unit), RoomBefore: optionalLength(a.RoomBeforeNM, unit)}
}

// mergeMeans applies the body's boss, access, guidance and coating to what the
// joint says itself (RFC 7396); null goes back to the template's.
func (s *Server) mergeMeans(in *call, j vehicle.Joint, change JointPatch) (vehicle.Joint, error) {
	object, _ := in.value.(map[string]any)
	own := j.OwnMeans
	if in.names("boss") {
		patch, _ := object["boss"].(map[string]any)
		now := BossIn{Kind: (*BossKind)(own.Boss.Kind), Diameter: asGivenIn(own.Boss.OuterNM), MinimumWall: asGivenIn(own.Boss.MinimumWallNM),
			Material: (*BossMaterial)(own.Boss.Material), Hardness: own.Boss.HardnessHB}
		if patch == nil {
			now = BossIn{}
		}
		boss, faults, err := mergedPart(s, "BossIn", now, patch, "/boss")
		if err != nil || len(faults) > 0 {
			return j, orInvalid(err, faults)
		}
		own.Boss = bossIn(&boss)
	}
	if in.names("access") {
		patch, _ := object["access"].(map[string]any)
		now := AccessIn{Blind: own.Access.Blind, Keyway: own.Access.Keyway, OilGroove: own.Access.OilGroove, Interrupted: own.Access.Interrupted,
			RoomBeyond: asGivenIn(own.Access.RoomBeyondNM), RoomBefore: asGivenIn(own.Access.RoomBeforeNM)}
		if patch == nil {
			now = AccessIn{}
		}
		access, faults, err := mergedPart(s, "AccessIn", now, patch, "/access")
		if err != nil || len(faults) > 0 {
			return j, orInvalid(err, faults)
		}
		own.Access = accessIn(&access)
	}
	if in.names("guidance") {
		own.Guidance, own.OffsetNM = string(or(change.Guidance, "")), nil
	}
	if in.names("guidance_offset") {
		own.OffsetNM = nanometres(change.GuidanceOffset)
	}
	j.OwnMeans = own
	if in.names("coating") {
		j.CoatingNM = nanometres(change.Coating)
	}
	return j, orInvalid(nil, j.CheckMeans())
}
