# Reference figures of R's package survival for curves and group comparison, as name,row,value.
#
#   Rscript reference_curves.R FOLDER > r_curves.csv
#
# FOLDER holds channing.csv, kidney.csv and bmt.csv (KMsurv), clustered_lives.csv and
# inspections.csv. Recorded with R 4.2.2, survival 3.5.3.
suppressMessages(library(survival))
folder <- commandArgs(trailingOnly = TRUE)[1]
cat("name,row,value\n")
put <- function(name, values) {
  cat(sprintf("%s,%d,%.15g\n", name, seq_along(values) - 1L, as.numeric(values)), sep = "")
}

# Kidney dialysis: time to infection by where the catheter was placed; no late entry.
ki <- read.csv(file.path(folder, "kidney.csv"))
for (rho in c(0, 0.5, 1)) put(paste0("kidney.rho", rho), survdiff(Surv(time, delta) ~ type, ki, rho = rho)$chisq)

# Retirement centre: late entry and ties. The score test of the exact partial likelihood has the
# hypergeometric variance of the log-rank test.
ch <- read.csv(file.path(folder, "channing.csv"))
ch <- ch[ch$ageentry < ch$age, ]
put("channing.gender", coxph(Surv(ageentry, age, death) ~ gender, ch, ties = "exact")$score)

# Bone-marrow transplants: three groups, and within males and females.
bm <- read.csv(file.path(folder, "bmt.csv"))
put("bmt.groups", survdiff(Surv(t2, d3) ~ group, bm)$chisq)
put("bmt.strata", survdiff(Surv(t2, d3) ~ group + strata(z3), bm)$chisq)
put("bmt.rho1_strata", survdiff(Surv(t2, d3) ~ group + strata(z3), bm, rho = 1)$chisq)

# Lives of clusters without ties, where Cox's robust score test is that of the log-rank.
cl <- read.csv(file.path(folder, "clustered_lives.csv"))
cl$event <- cl$cause > 0
un <- cl[!duplicated(cl$exit) & !(cl$exit %in% cl$entry), ]
un$score <- as.integer(factor(un$group))
put("robust.groups", coxph(Surv(entry, exit, event) ~ group, un, cluster = cluster)$rscore)
put("robust.trend", coxph(Surv(entry, exit, event) ~ score, un, cluster = cluster)$rscore)
put("robust.strata", coxph(Surv(entry, exit, event) ~ group + strata(stratum), un, cluster = cluster)$rscore)
put("robust.weighted", coxph(Surv(entry, exit, event) ~ group, un, cluster = cluster, weights = weight)$rscore)
