# Harrell's C by survival::concordance and optimism by rms::validate; prints JSON.
# Run from tests/reference/r: Rscript discrimination.R > discrimination.json
suppressMessages({library(survival); library(MASS); library(rms); library(jsonlite)})
out <- list()
add <- function(id, y, x) { k <- concordance(y ~ x, reverse = TRUE); out[[length(out) + 1]] <<- list(data = id, c = unname(k$concordance), concordant = unname(k$count["concordant"]), discordant = unname(k$count["discordant"]), tied = unname(k$count["tied.x"])) }
l <- na.omit(lung[, c("time", "status", "age", "sex", "ph.ecog")]); f <- coxph(Surv(time, status == 2) ~ age + sex + ph.ecog, l)
add("lung_ecog", Surv(l$time, l$status == 2), l$ph.ecog); add("lung_model", Surv(l$time, l$status == 2), round(predict(f, type = "lp"), 10))
add("veteran_karno", Surv(veteran$time, veteran$status), -veteran$karno); add("melanoma_thickness", Surv(Melanoma$time, Melanoma$status == 1), Melanoma$thickness)
set.seed(1); cf <- cph(Surv(time, status == 2) ~ age + sex + ph.ecog, l, x = TRUE, y = TRUE); v <- rms::validate(cf, B = 2000)
b <- birthwt; lf <- lrm(low ~ age + lwt + smoke + ht + ui, b, x = TRUE, y = TRUE); w <- rms::validate(lf, B = 2000)
pick <- function(v) list(apparent_c = v["Dxy", "index.orig"] / 2 + .5, optimism_c = v["Dxy", "optimism"] / 2, slope = v["Slope", "index.corrected"])
cat(toJSON(list(r = R.version.string, packages = list(survival = as.character(packageVersion("survival")), rms = as.character(packageVersion("rms"))), concordance = out, validate_lung = pick(v), validate_birthwt = pick(w)), auto_unbox = TRUE, digits = I(15)), "\n")
