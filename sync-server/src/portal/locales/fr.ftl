# Portail du client, français. Écrit par les auteurs, pas encore relu par un traducteur.
title = Registre des traitements d'arbres
for-client = Pour { $client }
season = Saison { $season }
only-signed = Cette page montre les journées que { $company } a contrôlées et validées. Elle ne modifie rien et ne demande pas de compte.
nothing-yet = Aucune journée n'est encore validée. Revenez plus tard.
done = Ce qui a été fait
trees-treated = { $count ->
    [one] { $count } arbre traité
   *[other] { $count } arbres traités
}
trees-not = { $count ->
    [one] { $count } arbre examiné et non traité
   *[other] { $count } arbres examinés et non traités
}
days-signed = { $count ->
    [one] { $count } journée de travail validée
   *[other] { $count } journées de travail validées
}
product-in = { $litres } litres de produit injectés
list = Arbre par arbre
tag = Arbre
species = Espèce
diameter = Diamètre
day = Jour
crew = Équipe
by = Appliqué par
supervised = sous la responsabilité de { $name }
licence = Certificat { $number }
name-erased = nom effacé ({ $id })
product = Produit
registration = Autorisation { $number }
lot = Lot
amount = Quantité
why-not = Motif
not-treated-list = Arbres non traités
unknown = inconnu
cautions = Précautions
caution-first = L'étiquette du produit et la loi passent avant tout. En cas de doute, demandez à { $company } avant de vous fier à cette page.
caution-person = Si du produit a touché la peau ou les yeux de quelqu'un ou a été avalé, faites appel à un médecin sans attendre et montrez le nom du produit et son numéro d'autorisation ci-dessous. Du produit injecté sous la peau est une urgence hospitalière, même sans douleur.
caution-harvest-never = L'étiquette de { $product } interdit son emploi sur les arbres dont on consomme la sève, les fruits, les noix ou les feuilles. Ne récoltez rien sur les arbres traités.
caution-harvest-ask = Ne récoltez ni sève, ni fruits, ni noix, ni feuilles sur un arbre traité avec { $product } avant que { $company } vous ait dit ce que dit son étiquette.
caution-bees = L'étiquette de { $product } interdit le traitement avant et pendant la floraison, pour protéger les abeilles.
caution-felling = L'étiquette de { $product } demande { $days } jours entre le traitement et l'abattage.
caution-holes = Ne touchez pas aux trous refermés au pied du tronc, et tenez-en éloignés enfants et animaux le jour du traitement.
caution-wood = Avant d'abattre, de broyer ou de composter un arbre traité, demandez à { $company }.
label-says = Selon les mots de l'étiquette
first-aid = Premiers secours, selon les mots de l'étiquette
products = Produits employés
ingredients = Substances actives
map = Carte
map-words = La liste ci-dessous dit la même chose en mots.
treated = traité
not-treated = non traité
left = rien de validé encore
stop = à régler
without-place = sans position
provisional = Provisoire
provisional-text = Travaux qui ne sont pas encore validés. Ils peuvent encore changer ; ils figurent ici parce que la loi ou un médecin peut en avoir besoin le jour même.
provisional-day = { $day }, équipe { $crew } : { $product }, autorisation { $number }
canopies = Houppiers, avant et maintenant
canopies-text = Arbres selon la part du houppier perdue, au dernier examen de chaque saison. Les petits chiffres donnent l'intervalle à 95 % de cette part, si les arbres ne se ressemblent que par hasard.
canopies-seen = { $count } examinés
canopy-lost = Houppier perdu
canopies-held = Sur { $count } arbres traités en saison { $then } et revus en saison { $now }, { $held } sont dans la même classe ou une meilleure ({ $share }). Les arbres à traiter ont été choisis d'après leur état : ceci n'est pas un essai.
canopies-not-again = { $count } arbres examinés en saison { $then } n'ont pas été revus en saison { $now } : enlevés, morts ou non atteints. Ils ne comptent dans aucune part.
photos = Photos
photos-text = Prises par l’équipe les jours validés. Ce que l’appareil inscrit à côté de l’image, dont le lieu, est retiré.
photos-none = Aucune photo de ces travaux n’est encore validée.
photo-of = Photo de l’arbre { $tree }, { $day }
photos-all = { $count ->
    [one] La seule photo
   *[other] Les { $count } photos
}
photos-not = { $count ->
    [one] { $count } autre photo ne peut pas être montrée ici. Demandez à { $company }.
   *[other] { $count } autres photos ne peuvent pas être montrées ici. Demandez à { $company }.
}
data = Les données
data-text = Ces fichiers contiennent ce que montre cette page. Chacun nomme l'état des registres dont il est tiré.
file-records = Registre des applications (CSV)
file-records-eu = Registres d'application avec les éléments du règlement (UE) 2023/564 (CSV)
file-report = Le rapport (PDF) : il nomme l'état des registres qu'il montre
file-map = Arbres traités pour un logiciel de cartographie (GeoJSON)
file-package = Registres et carte dans une archive qui dit ce que contient chaque colonne (Data Package)
file-picture = La carte comme image (SVG)
verify = Vérifier une copie
verify-text = Le même état donne toujours les mêmes octets. Comparez le SHA-256 de votre fichier avec celui-ci ; { $company } peut refaire le fichier à partir de ses registres dans cet état.
state = État des registres
job-heads = Têtes du registre du chantier
yard-heads = Têtes du registre de l'entreprise
page-of = Page { $page } sur { $pages }
previous = Précédente
next = Suivante
link-until = Ce lien est valable jusqu'au { $day }. Quiconque l'a peut lire cette page.
over-title = Ce lien n'est plus valable
over-text = Il a été retiré, ou son délai est passé. Demandez-en un nouveau à l'entreprise qui vous l'a donné.
language = Langue
reason-too_small = la tige est sous le diamètre minimal de l'étiquette
reason-too_far_gone = le houppier est trop atteint
reason-wrong_species = l'étiquette n'autorise pas l'espèce
reason-no_uptake = l'arbre n'a rien absorbé dans le délai de l'étiquette
reason-trunk_damage = le tronc est trop abîmé pour être percé
reason-not_reached = il n'a pas pu être atteint ou trouvé
reason-refused = le propriétaire a refusé
reason-conditions = le temps ou le sol ne le permettaient pas
reason-other = autre motif ; demandez-nous
