// Sets up an invented chain with a salon, people and products to play with.
import { Failed, call, newID, who } from "./server.js";

const chain = "chains/ebb";

// create creates a record, unless it is there already.
async function create(method, request, identity) {
  try {
    await call(method, { ...request, requestId: newID() }, identity);
  } catch (failure) {
    if (!(failure instanceof Failed) || failure.code !== "already_exists") throw failure;
  }
}

// createSalon returns the name of the chain.
export async function createSalon() {
  const manager = who.manager(chain), nextYear = new Date(Date.now() + 300 * 86400e3).toISOString();
  const salon = `${chain}/salons/quay`;
  await create("DirectoryService/CreateChain", { chainId: "ebb", chain: { displayName: "Ebb and Flow Hair" } }, who.operator());
  await create("DirectoryService/CreateSalon", { parent: chain, salonId: "quay",
    salon: { displayName: "North Quay", jurisdiction: "JURISDICTION_UK", timeZone: "Europe/London", minutesToBowl: 1 } }, manager);
  for (const [practitionerId, displayName, role] of [["odile", "Odile", "ROLE_MANAGER"], ["imara", "Imara", "ROLE_SUPERVISOR"], ["amara", "Amara", "ROLE_PRACTITIONER"]]) {
    await create("DirectoryService/CreatePractitioner", { parent: chain, practitionerId,
      practitioner: { displayName, role, licenceNumber: `INV-${practitionerId}`, licenceExpireTime: nextYear, salons: [salon] } }, manager);
  }
  const products = {
    base: { displayName: "Ebb base", kind: "PRODUCT_KIND_PROTECTIVE_BASE" },
    normalizer: { displayName: "Ebb normalizer", kind: "PRODUCT_KIND_NORMALIZER" },
    indicator: { displayName: "Ebb indicator shampoo", kind: "PRODUCT_KIND_NEUTRALIZING_SHAMPOO", indicator: { present: "ANSWER_YES", alkaliColour: "pink" } },
    regular: { displayName: "Ebb relaxer, regular", kind: "PRODUCT_KIND_HYDROXIDE_RELAXER", hydroxideKind: "HYDROXIDE_KIND_SODIUM",
      strength: "STRENGTH_REGULAR", useTier: "USE_TIER_PROFESSIONAL", ingredients: [{ substance: "SUBSTANCE_SODIUM_HYDROXIDE", massPercent: 2 }],
      declaredPh: 12.6, phMethod: "PH_METHOD_MEASURED", safetyDataSheet: "invented sheet", lots: [{ lotCode: "R-2611", expireTime: nextYear }],
      directions: { edition: "invented edition 3", maximumMinutes: 18, usualMinutes: 13, strandTestMinutes: 3, minimumAgeYears: 16, baseNeeded: "ANSWER_YES",
        strandTestRequired: "ANSWER_YES", normalizer: `${chain}/products/normalizer`, neutralizingShampoo: `${chain}/products/indicator` } },
  };
  for (const [productId, product] of Object.entries(products)) {
    await create("CatalogService/CreateProduct", { parent: chain, productId, product }, manager);
  }
  return chain;
}
